import type { ClockNews, Refusal, StoredTime } from '../clock/clock.js'
import { withdrawnName, type MonoSeconds } from '../terms/terms.js'
import type { StationPorts } from './options.js'
import type { Parts } from './parts.js'
import { disprovedAnchors, newestStoredTime, restoredClaims } from './stored-times.js'

type Event = (name: string, details: Readonly<Record<string, string>>) => unknown

/** Without a check for so long people are told. */
const uncheckedAfterSeconds = 86_400

const refusalWords: Readonly<Record<Refusal, string>> = {
  'before-program': 'is before this program was made',
  'before-store': 'is before the newest trusted record of the store',
  disputed: 'contradicts the time that is used',
}

/** What the store knows of time, before the clock is looked at for the first time. */
export async function restoreClock({ clock, boot }: Parts, { store }: StationPorts): Promise<void> {
  const newest: StoredTime | undefined = await newestStoredTime(store)
  clock.remember(newest, await restoredClaims(store, boot))
}

/**
 * Looks at the wall clock and at what other sources said: writes an anchor where one is due, withdraws those that were proved
 * wrong, tells a clock that cannot be trusted.
 * @returns whether it became trusted or stepped
 */
export function lookAtClock(parts: Parts, ports: StationPorts, now: MonoSeconds, event: Event): boolean {
  const { clock, boot } = parts
  const news = clock.look(now, ports.clock.utc())
  const { anchor, turned, stepSeconds } = news
  if (anchor) ports.store.append((seq) => ({ kind: 'anchor', seq, boot, ...anchor }))
  tellFaults(parts, now)
  if (!turned) return false
  ports.log.info(`clock ${turned}`, { source: anchor?.source, step_s: stepSeconds })
  if (stepSeconds !== undefined) event('clock-step', { seconds: stepSeconds.toFixed(3) })
  if (news.disproves) parts.inFlight.track(withdraw(parts, ports, news, event))
  return true
}

async function withdraw({ boot }: Parts, { store }: StationPorts, news: ClockNews, event: Event) {
  const { anchor } = news
  await store.flush()
  for (const { boot: of, from, to } of await disprovedAnchors(store, { ...anchor!, boot }))
    event(withdrawnName, { boot: of, from: String(from), to: String(to), by: anchor!.source })
  await store.flush()
}

function tellFaults({ clock, faults }: Parts, now: MonoSeconds): void {
  const { refused } = clock
  const detail = refused ? `${refused.claim.source} ${refusalWords[refused.why]}` : ''
  if (refused && refused.why !== 'disputed') faults.raise('clock', { code: 'clock-refused', detail }, now)
  else faults.clear('clock', 'clock-refused')
  if (refused?.why === 'disputed') faults.raise('clock', { code: 'clock-disputed', detail }, now)
  else faults.clear('clock', 'clock-disputed')
  const untrusted = refused ? `what is offered ${refusalWords[refused.why]}` : 'no source vouches for it'
  if (clock.trusted) faults.clear('clock', 'clock-untrusted')
  else faults.raise('clock', { code: 'clock-untrusted', detail: untrusted }, now)
  const uncheckedSeconds = now - (clock.checkedAt ?? now)
  const hours = `${Math.floor(uncheckedSeconds / 3600)} h, error at most ${Math.round(clock.errorAt(now))} s`
  if (uncheckedSeconds < uncheckedAfterSeconds) faults.clear('clock', 'clock-unchecked')
  else faults.raise('clock', { code: 'clock-unchecked', detail: hours }, now)
}
