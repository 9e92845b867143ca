import { join } from 'node:path'
import { listenControl, type ControlSocket } from '../hardware/control-socket.js'
import type { RecentEntry } from '../hardware/log.js'
import type { Settings } from '../settings/settings.js'
import { answerRequest, type Station } from '../station/station.js'
import { good, type Fault, type Outcome } from '../terms/terms.js'

/** Where the running station of these settings can be asked. In a data folder the name is hidden: it is no data. */
export function controlPath({ runtime, data, station }: Settings): string {
  if (runtime.folder !== undefined) return join(runtime.folder, `${station.name}.sock`)
  return join(data.folder, '.control.sock')
}

export interface Control {
  /** From here on requests are answered by this station, and `{"do":"log"}` by what was logged last. */
  serve(station: Station, recentLog: () => readonly RecentEntry[]): void
  close(): Promise<void>
  /** Set where the socket could not be made: the station runs on without it, and tells. */
  readonly fault?: Fault
}

/** Opens the control socket before the station starts. Fault: store-in-use, where another agent answers there. */
export async function openControl(settings: Settings): Promise<Outcome<Control>> {
  let served: { readonly station: Station; readonly recentLog: () => readonly RecentEntry[] } | undefined
  const options = { path: controlPath(settings), mode: settings.runtime.groupAccess ? 0o660 : 0o600 }
  const opened = await listenControl(options, (request) => {
    if (!served) return Promise.resolve({ ok: false, words: 'the station is starting' })
    const { station, recentLog } = served
    const isLog = (Object(request) as { do?: unknown }).do === 'log'
    return isLog ? Promise.resolve({ ok: true, log: recentLog() }) : answerRequest(station, request)
  })
  if (!opened.ok && opened.fault.code === 'store-in-use') return opened
  const socket: ControlSocket = opened.ok ? opened.value : { close: () => Promise.resolve() }
  return good({
    serve: (station, recentLog) => (served = { station, recentLog }),
    close: () => socket.close(),
    ...(opened.ok ? {} : { fault: opened.fault }),
  })
}
