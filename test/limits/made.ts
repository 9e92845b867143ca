import { exact, type Figure, type HourMean, type Limit, type LimitSet } from '../../agent/limits/limits.js'
import { loadLimitSets } from '../../agent/cli/limits-files.js'

export function shippedSets(): readonly LimitSet[] {
  const sets = loadLimitSets()
  if (!sets.ok) throw new Error(sets.fault.detail)
  return sets.value
}

export function shippedLimit(id: string): Limit {
  const found = shippedSets()
    .flatMap(({ limits }) => limits)
    .find((limit) => limit.id === id)
  if (!found) throw new Error(`no limit ${id}`)
  return found
}

/** A day rule as Appendix N has it for PM2.5. */
export const tenthsRule = {
  hoursNeeded: 18,
  hourCut: exact(0.1),
  dayCut: exact(0.1),
  shortDayAtLeast: exact(35.5),
}

/** A measured figure that is known exactly, unless told otherwise. */
export const figure = (value: number | undefined, more: Partial<Figure> = {}): Figure => ({
  value,
  basis: 'measured',
  uncertainty: { relative: 0, absolute: 0, source: 'side-by-side' },
  atLeast: false,
  ...more,
})

export const hourMillis = 3_600_000
export const firstHour = Date.UTC(2026, 2, 1)

/** Hours one after the other from `firstHour`; undefined for one that does not count. */
export const hoursFrom = (means: readonly (number | undefined)[], first = firstHour): HourMean[] =>
  means.map((mean, i) => ({
    start: first + i * hourMillis,
    mean: mean ?? NaN,
    counted: mean !== undefined,
  }))
