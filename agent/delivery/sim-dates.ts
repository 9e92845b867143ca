import { utcMillis, type Fault, type LocalDay } from '../terms/terms.js'

/** Days of the settings that a SIM has; both are the owner's word. */
export interface SimDates {
  /** Its last day. */
  readonly validUntil?: LocalDay
  /** On this day somebody is to look at its credit. */
  readonly creditCheck?: LocalDay
}

/** So many days before, it is time to act: a SIM by post and a visit take weeks. */
export const simNoticeDays = 30
const dayMillis = 86_400_000

const dayStart = (day: LocalDay): number => utcMillis(Date.parse(`${day}T00:00:00Z`))
const daysTo = (day: LocalDay, today: LocalDay): number =>
  Math.round((dayStart(day) - dayStart(today)) / dayMillis)

/** What is to be said today of the days of a SIM: sim-ends, sim-credit. */
export function simReminders({ validUntil, creditCheck }: SimDates, today: LocalDay): Fault[] {
  return [
    ...reminder('sim-ends', validUntil, today, ['its last day is', 'it was valid until']),
    ...reminder('sim-credit', creditCheck, today, ['it is to be looked at on', 'it was to be looked at on']),
  ]
}

function reminder(
  code: 'sim-ends' | 'sim-credit',
  day: LocalDay | undefined,
  today: LocalDay,
  [before, after]: readonly [string, string],
): Fault[] {
  if (day === undefined || daysTo(day, today) > simNoticeDays) return []
  const days = daysTo(day, today)
  if (days < 0) return [{ code, detail: `${after} ${day}` }]
  const when = days === 0 ? 'today' : days === 1 ? 'tomorrow' : `in ${days} days`
  return [{ code, detail: `${before} ${day}, ${when}` }]
}
