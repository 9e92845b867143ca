/** The open doors of a running collector: what `collect --http` adds to it. */
import type { Log } from '../terms/terms.js'
import { faultText } from '../terms/terms.js'
import { doorsIn, openDoors, type Doors } from './open-doors.js'
import { readCollectorStatus } from './stations-status-shape.js'

export interface DoorOptions {
  /** ADDRESS:PORT; absent: no door. */
  readonly http?: string
  readonly httpPasswordFile?: string
}

/** The doors that are meant, or what is wrong with the options. */
export function doorsOf({ http, httpPasswordFile }: DoorOptions): Doors | undefined | string {
  if (http === undefined)
    return httpPasswordFile === undefined ? undefined : '--http-password-file needs --http ADDRESS:PORT'
  const doors = doorsIn(http, httpPasswordFile)
  return doors.ok ? doors.value : doors.words
}

/** A door that cannot be opened stops nothing else. @param status as the collector's status file has it */
export async function standOpen(
  doors: Doors | undefined,
  archive: string,
  log: Log,
  status: () => unknown,
): Promise<{ close(): Promise<void> }> {
  const closed = { close: () => Promise.resolve() }
  if (!doors) return closed
  const opened = await openDoors(doors, {
    archive,
    status: () => readCollectorStatus(status()),
    nowSeconds: () => performance.now() / 1000,
  })
  if (opened.ok) log.info('open doors', { address: doors.place.host, port: opened.value.port })
  else log.warn(faultText(opened.fault), { code: opened.fault.code })
  return opened.ok ? opened.value : closed
}
