import { existsSync } from 'node:fs'
import { askControl } from '../hardware/control-socket.js'
import { lockFolder } from '../hardware/lock.js'
import type { Settings } from '../settings/settings.js'
import { bad, faultText, type Outcome } from '../terms/terms.js'
import { controlPath } from './control.js'
import type { Place } from './local-time.js'
import { prepare } from './preparation.js'

/** A station as its settings describe it: whom to ask, and what its place is. */
export interface Reached {
  readonly settings: Settings
  readonly place: Place
}

/** Settings of the file, or those that last worked; undefined when neither can be used, which is then told. */
export function reachStation(file: string): Reached | undefined {
  const { plan, wrong } = prepare(file)
  for (const line of wrong) process.stderr.write(line + '\n')
  if (!plan) return undefined
  const { settings, standardOffsetMinutes } = plan
  const { timeZone } = settings.station
  return { settings, place: { ...(timeZone === undefined ? {} : { timeZone }), standardOffsetMinutes } }
}

/** Asks the running station. Faults: agent-not-running, control-denied, control-unavailable, agent-silent. */
export async function askStation(settings: Settings, request: unknown): Promise<Outcome<unknown>> {
  const asked = await askControl(controlPath(settings), request)
  if (asked.ok || asked.fault.code !== 'agent-not-running') return asked
  const { folder } = settings.data
  if (!existsSync(folder)) return bad('agent-not-running', `its data folder ${folder} was never made`)
  const locked = await lockFolder(folder)
  if (!locked.ok)
    return bad('control-unavailable', `an agent holds ${folder}, but not ${controlPath(settings)}`)
  locked.value.release()
  return asked
}

/** For a person: the fault, or what the station said against it. */
export function refusalText(asked: Outcome<unknown>): string | undefined {
  if (!asked.ok) return faultText(asked.fault)
  const { ok, words } = Object(asked.value) as { ok?: unknown; words?: unknown }
  return ok === false && typeof words === 'string' ? words : undefined
}
