import type { MonoSeconds } from '../terms/terms.js'
import type { StationPorts } from './options.js'
import type { Parts } from './parts.js'

/**
 * Looks at the wall clock: writes an anchor where one is due, tells a clock that cannot be trusted.
 * @returns whether it became trusted or stepped
 */
export function lookAtClock(
  { clock, faults, boot }: Parts,
  ports: StationPorts,
  now: MonoSeconds,
  stepEvent: (details: Readonly<Record<string, string>>) => unknown,
): boolean {
  const { anchor, turned, stepSeconds } = clock.look(now, ports.clock.utc())
  if (anchor) ports.store.append((seq) => ({ kind: 'anchor', seq, boot, ...anchor }))
  const detail = clock.refusedTooEarly
    ? 'the time offered is before this program was made'
    : 'no source vouches for it'
  if (clock.trusted && !clock.refusedTooEarly) faults.clear('clock', 'clock-untrusted')
  else faults.raise('clock', { code: 'clock-untrusted', detail }, now)
  if (!turned) return false
  ports.log.info(`clock ${turned}`, { source: anchor?.source, step_s: stepSeconds })
  if (stepSeconds !== undefined) stepEvent({ seconds: stepSeconds.toFixed(3) })
  return true
}
