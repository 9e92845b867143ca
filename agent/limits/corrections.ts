/**
 * Corrections of a mass channel. Each belongs to one physical unit in one scaling and says in which range and up to which
 * humidity it holds; outside of that it is refused, never stretched. The raw value is always given back beside it. Where a
 * unit stood beside a reference more than once, the file says which run applies, or that it lies between them by time.
 */
import type { CorrectionForm, Correction, CorrectionRun } from './correction-kinds.js'

/** What is to be corrected: one mean with where it came from. */
export interface Uncorrected {
  readonly channel: string
  /** Serial number of the unit, as site log and settings name it. */
  readonly serial?: string
  readonly scaling?: string
  /** µg/m³. */
  readonly value: number
  /** %RH over the same time. */
  readonly humidityPercent?: number
  /** UTC in milliseconds; only what changes between two runs needs it. */
  readonly atUtc?: number
}

export const correctionRefusals = [
  'other-channel',
  'other-unit',
  'other-scaling',
  'no-value',
  'outside-range',
  'no-humidity',
  'too-humid',
  'no-time',
] as const
export type CorrectionRefusal = (typeof correctionRefusals)[number]

export type Corrected =
  | {
      readonly ok: true
      readonly raw: number
      /** Not floored: a little below zero it keeps means unbiased. */
      readonly corrected: number
      /** Name of the correction, to stand beside the figure. */
      readonly by: string
    }
  | { readonly ok: false; readonly raw: number; readonly refused: CorrectionRefusal }

export function applyCorrection(correction: Correction, given: Uncorrected): Corrected {
  const refused = refusalOf(correction, given)
  if (refused) return { ok: false, raw: given.value, refused }
  const corrected = shareSum(
    formsAt(correction, given.atUtc ?? NaN).map(({ form, share }) => ({
      value: correctedValue(form, given.value, given.humidityPercent ?? 0),
      share,
    })),
  )
  return { ok: true, raw: given.value, corrected, by: correction.name }
}

function refusalOf(correction: Correction, given: Uncorrected): CorrectionRefusal | undefined {
  if (given.channel !== correction.channel) return 'other-channel'
  if (given.serial !== correction.serial) return 'other-unit'
  if (given.scaling !== correction.scaling) return 'other-scaling'
  if (!Number.isFinite(given.value)) return 'no-value'
  if (given.value < correction.lowest || given.value > correction.highest) return 'outside-range'
  if (correction.earlier?.apply === 'linear' && !Number.isFinite(given.atUtc ?? NaN)) return 'no-time'
  return humidityRefusal(correction, given.humidityPercent)
}

interface Share {
  readonly form: CorrectionForm
  /** The shares of all make one. */
  readonly share: number
}

/** Which forms correct a figure of this time: before the first run the first, after the last the last, between them both. */
function formsAt({ form, run, earlier }: Correction, atUtc: number): readonly Share[] {
  if (!earlier || !run || earlier.apply === 'last') return [{ form, share: 1 }]
  if (earlier.apply === 'first') return [{ form: earlier.runs[0].form, share: 1 }]
  const runs = [...earlier.runs, { ...run, form }]
  const after = runs.findIndex((one) => middleOf(one) >= atUtc)
  if (after <= 0) return [{ form: after < 0 ? form : runs[0].form, share: 1 }]
  const [a, b] = [middleOf(runs[after - 1]), middleOf(runs[after])]
  const share = (atUtc - a) / (b - a)
  return [
    { form: runs[after - 1].form, share: 1 - share },
    { form: runs[after].form, share },
  ]
}

/** UTC; days of a file are local, which is less than a day away. */
export const middleOf = ({ from, to }: Pick<CorrectionRun, 'from' | 'to'>): number =>
  (Date.parse(`${from}T00:00:00Z`) + Date.parse(`${to}T00:00:00Z`) + dayMillis) / 2
const dayMillis = 86_400_000

const shareSum = (parts: readonly { readonly value: number; readonly share: number }[]): number =>
  parts.length === 1 ? parts[0].value : parts.reduce((sum, { value, share }) => sum + share * value, 0)

function humidityRefusal(
  { form, mostHumidityPercent, earlier }: Correction,
  humidityPercent: number | undefined,
): CorrectionRefusal | undefined {
  const known = humidityPercent !== undefined && Number.isFinite(humidityPercent)
  // A straight line that holds at any humidity needs none.
  const isPlain = [form, ...(earlier?.runs ?? []).map((run) => run.form)].every(
    ({ kind }) => kind === 'linear',
  )
  if (!known) return isPlain && mostHumidityPercent >= 100 ? undefined : 'no-humidity'
  return humidityPercent > mostHumidityPercent ? 'too-humid' : undefined
}

/** The bare formula, µg/m³ to µg/m³, without any check of what it may be used for. */
export function correctedValue(form: CorrectionForm, value: number, humidityPercent: number): number {
  if (form.kind === 'linear') return form.intercept + form.slope * value
  if (form.kind === 'linear-humidity')
    return form.intercept + form.slope * value + form.perHumidity * humidityPercent
  const dry = value / growthMassFactor(form.kappa, humidityPercent, form.dryDensity)
  return (form.intercept ?? 0) + (form.slope ?? 1) * dry
}

/**
 * How much heavier particles are than dry: C = 1 + (kappa / density) / (1 / aw - 1), aw = RH / 100; measured mass / C is the
 * dry mass. Crilley et al. 2018 (Atmos. Meas. Tech. 11, 709-720), after Petters and Kreidenweis 2007.
 * @param humidityPercent below 100; at 100 no factor exists and the answer is Infinity
 */
export function growthMassFactor(kappa: number, humidityPercent: number, dryDensity = 1.65): number {
  return 1 + (kappa / dryDensity) * waterRatio(humidityPercent)
}

/** Wet over dry volume and diameter, without the curvature term: Petters and Kreidenweis 2007 (Atmos. Chem. Phys. 7, 1961). */
export function growthSizeFactors(
  kappa: number,
  humidityPercent: number,
): { readonly volume: number; readonly diameter: number } {
  const volume = 1 + kappa * waterRatio(humidityPercent)
  return { volume, diameter: Math.cbrt(volume) }
}

/** aw / (1 - aw), which is 1 / (1 / aw - 1) without its trap at dry air. */
function waterRatio(humidityPercent: number): number {
  const activity = Math.max(0, humidityPercent) / 100
  return activity >= 1 ? Infinity : activity / (1 - activity)
}
