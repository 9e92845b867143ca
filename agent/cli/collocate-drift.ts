/** Earlier runs of the same units: their correction files, and what is made of all of them. */
import type { CorrectionFit, DriftRun } from '../analysis/analysis.js'
import {
  appliedRuns,
  type AppliedRun,
  type Correction,
  type CorrectionForm,
  type FormInterval,
  type Range95,
} from '../limits/limits.js'
import { faultText } from '../terms/terms.js'
import type { CollocateOptions, OpenedUnit } from './collocate.js'
import { wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { loadCorrection } from './limits-files.js'

/** µg/m³: readings at which drift is told where nobody says others. */
const usualLevels = [10, 35, 75]

export function readLevels(typed: string | undefined): Opened<readonly number[]> {
  if (typed === undefined) return { ok: true, value: usualLevels }
  const levels = typed.split(',').map(Number)
  if (levels.length <= 10 && levels.every((level) => level >= 0 && level <= 10_000))
    return { ok: true, value: levels }
  return wrongUse(`--levels ${typed}: expected at most ten readings in µg/m³, such as 10,35,75`)
}

/** Each file finds its unit by the serial number. @returns by unit; undefined where none was named for it */
export function readPrevious(
  { previous = [], apply }: CollocateOptions,
  channel: string,
  units: readonly OpenedUnit[],
): Opened<readonly (Correction | undefined)[]> {
  if (apply !== undefined && previous.length === 0)
    return wrongUse('--apply says what is made of --previous: name it')
  if (apply !== undefined && !(appliedRuns as readonly string[]).includes(apply))
    return wrongUse(`--apply ${apply}: first, last or linear (between the runs by time)`)
  const found: (Correction | undefined)[] = units.map(() => undefined)
  for (const file of previous) {
    const read = loadCorrection(file)
    if (!read.ok) return wrongUse(faultText(read.fault))
    const at = unitOf(read.value, channel, units)
    if (typeof at === 'string') return wrongUse(`${file}: ${at}`)
    if (found[at]) return wrongUse(`${file}: there is an earlier run of ${read.value.serial} already`)
    found[at] = read.value
  }
  return { ok: true, value: found }
}

/** Place of the unit that a correction belongs to, or why it belongs to none. */
function unitOf(correction: Correction, channel: string, units: readonly OpenedUnit[]): number | string {
  const { serial, scaling } = correction
  if (correction.channel !== nameOf(channel))
    return `is a correction of ${correction.channel}, not of ${channel}`
  if (!correction.run) return 'does not say from when to when the units stood side by side (run_from, run_to)'
  const at = units.findIndex((unit) => unit.serial === serial)
  if (at < 0) return `belongs to unit ${serial}; here are ${serialsOf(units)}`
  if (units[at].hours.scaling !== scaling)
    return `is of the mass output '${scaling ?? 'only one'}', the unit's figures are '${units[at].hours.scaling ?? 'only one'}'`
  return at
}

const serialsOf = (units: readonly OpenedUnit[]): string =>
  units.map(({ serial, hours }) => serial ?? `${hours.name} (say its number with --serial)`).join(', ')

const finite = (range: Range95 | undefined): Range95 | undefined =>
  range?.every(Number.isFinite) ? [digits(range[0]), digits(range[1])] : undefined

export const digits = (value: number): number => Number(value.toPrecision(6))

/** The numbers of a form as a file keeps them. */
export function roundedForm(form: CorrectionForm): CorrectionForm {
  const rounded = Object.entries(form).map(([key, value]) => [
    key,
    typeof value === 'number' ? digits(value) : value,
  ])
  return Object.fromEntries(rounded) as CorrectionForm
}

/** A fit as a run with its intervals; what has none, because days were too few, is left out. */
export function runOfFit(fit: CorrectionFit): DriftRun & { readonly interval: FormInterval } {
  const ranges = {
    intercept: finite(fit.interceptInterval),
    slope: finite(fit.slopeInterval),
    perHumidity: finite(fit.perHumidityInterval),
    kappa: finite(fit.kappaInterval),
    levelsHumidityPercent:
      fit.meanHumidityPercent === undefined ? undefined : digits(fit.meanHumidityPercent),
  }
  const levels = fit.levels.flatMap(({ raw, interval: given }) => {
    const interval = finite(given)
    return interval ? [{ raw, interval }] : []
  })
  const known = Object.fromEntries(Object.entries(ranges).filter(([, value]) => value !== undefined))
  return { form: fit.form, interval: { ...known, levels } }
}

/** What the file says of runs, and the range in which what it applies holds. */
export function withEarlier(
  correction: Correction,
  previous: Correction | undefined,
  apply: AppliedRun,
): Opened<Correction> {
  if (!previous) return { ok: true, value: correction }
  const { earlier, form, run } = previous
  const runs = [...(earlier?.runs ?? []), { form, ...run! }]
  if (run!.to >= correction.run!.from)
    return wrongUse(
      `the earlier run (to ${run!.to}) is not over before this one begins (${correction.run!.from})`,
    )
  const all = apply === 'last' ? [correction] : apply === 'first' ? [previous] : [previous, correction]
  const lowest = Math.max(...all.map((one) => one.lowest))
  const highest = Math.min(...all.map((one) => one.highest))
  if (highest <= lowest) return wrongUse('the two runs have no range of readings in common: say --apply last')
  const mostHumidityPercent = Math.min(...all.map((one) => one.mostHumidityPercent))
  return {
    ok: true,
    value: { ...correction, lowest, highest, mostHumidityPercent, earlier: { apply, runs } },
  }
}
