/**
 * Corrections of a mass channel. Each belongs to one physical unit in one scaling and says in which range and up to which
 * humidity it holds; outside of that it is refused, never stretched. The raw value is always given back beside it.
 */
import { scalingNames, type CorrectionForm, type Correction } from './correction-kinds.js'
import { limitChannels } from './kinds.js'
import { PlainReader, under, type PlainMap, type PlainRead } from './plain.js'

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
}

export const correctionRefusals = [
  'other-channel',
  'other-unit',
  'other-scaling',
  'no-value',
  'outside-range',
  'no-humidity',
  'too-humid',
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
  const corrected = correctedValue(correction.form, given.value, given.humidityPercent ?? 0)
  return { ok: true, raw: given.value, corrected, by: correction.name }
}

function refusalOf(correction: Correction, given: Uncorrected): CorrectionRefusal | undefined {
  if (given.channel !== correction.channel) return 'other-channel'
  if (given.serial !== correction.serial) return 'other-unit'
  if (given.scaling !== correction.scaling) return 'other-scaling'
  if (!Number.isFinite(given.value)) return 'no-value'
  if (given.value < correction.lowest || given.value > correction.highest) return 'outside-range'
  return humidityRefusal(correction, given.humidityPercent)
}

function humidityRefusal(
  { form, mostHumidityPercent }: Correction,
  humidityPercent: number | undefined,
): CorrectionRefusal | undefined {
  const known = humidityPercent !== undefined && Number.isFinite(humidityPercent)
  // A straight line that holds at any humidity needs none.
  if (!known) return form.kind === 'linear' && mostHumidityPercent >= 100 ? undefined : 'no-humidity'
  return humidityPercent > mostHumidityPercent ? 'too-humid' : undefined
}

/** The bare formula, µg/m³ to µg/m³, without any check of what it may be used for. */
export function correctedValue(form: CorrectionForm, value: number, humidityPercent: number): number {
  if (form.kind === 'linear') return form.intercept + form.slope * value
  if (form.kind === 'linear-humidity')
    return form.intercept + form.slope * value + form.perHumidity * humidityPercent
  return value / growthMassFactor(form.kappa, humidityPercent, form.dryDensity)
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

/** Above this no growth correction means anything: it divides by 5 and more, and steeply. */
const mostGrowthHumidity = 95
const correctionKeys = [
  'name',
  'channel',
  'serial',
  'scaling?',
  'kind',
  'intercept?',
  'slope?',
  'per_humidity?',
  'kappa?',
  'dry_density?',
  'lowest',
  'highest',
  'most_humidity_percent',
  'made',
  'source',
]
const formKeys: Readonly<Record<CorrectionForm['kind'], readonly string[]>> = {
  linear: ['intercept', 'slope'],
  'linear-humidity': ['intercept', 'slope', 'per_humidity'],
  growth: ['kappa', 'dry_density'],
}
const formKinds = Object.keys(formKeys) as CorrectionForm['kind'][]

/** @param value what a YAML reader made of a correction file, as `correctionPlain` gives it */
export function readCorrection(value: unknown): PlainRead<Correction> {
  const read = new PlainReader()
  const from = read.map(value, '', correctionKeys)
  const form = readForm(read, from)
  const most = read.number(from, 'most_humidity_percent', '', 1, 100)
  if (form.kind === 'growth' && most > mostGrowthHumidity)
    read.fault('most_humidity_percent', `must be at most ${mostGrowthHumidity} for growth by humidity`)
  const lowest = read.number(from, 'lowest', '', -100, 10_000)
  const highest = read.number(from, 'highest', '', -100, 10_000)
  if (from.highest !== undefined && highest <= lowest) read.fault('highest', 'must be above lowest')
  return read.outcome({
    name: read.text(from, 'name', ''),
    channel: read.oneOf(from, 'channel', '', limitChannels),
    serial: read.text(from, 'serial', ''),
    ...(from.scaling === undefined ? {} : { scaling: read.oneOf(from, 'scaling', '', scalingNames) }),
    form,
    lowest,
    highest,
    mostHumidityPercent: most,
    made: read.day(from, 'made', '') ?? '',
    source: read.text(from, 'source', ''),
  })
}

function readForm(read: PlainReader, from: PlainMap): CorrectionForm {
  const kind = read.oneOf(from, 'kind', '', formKinds)
  for (const key of new Set(Object.values(formKeys).flat())) {
    const wanted = formKeys[kind].includes(key)
    if (wanted && from[key] === undefined) read.fault(under('', key), `is missing: ${kind} needs it`)
    if (!wanted && from[key] !== undefined) read.fault(under('', key), `does not belong to ${kind}`)
  }
  const number = (key: string, lowest: number, highest: number) => read.number(from, key, '', lowest, highest)
  if (kind === 'growth')
    return { kind, kappa: number('kappa', 0, 2), dryDensity: number('dry_density', 0.5, 5) }
  const line = { intercept: number('intercept', -1000, 1000), slope: number('slope', -100, 100) }
  return kind === 'linear'
    ? { kind, ...line }
    : { kind, ...line, perHumidity: number('per_humidity', -100, 100) }
}

/** The correction as plain values with the keys of its file; `readCorrection` reads it back. */
export function correctionPlain(correction: Correction): Readonly<Record<string, string | number>> {
  const { form } = correction
  return {
    name: correction.name,
    channel: correction.channel,
    serial: correction.serial,
    ...(correction.scaling ? { scaling: correction.scaling } : {}),
    kind: form.kind,
    ...(form.kind === 'growth'
      ? { kappa: form.kappa, dry_density: form.dryDensity }
      : { intercept: form.intercept, slope: form.slope }),
    ...(form.kind === 'linear-humidity' ? { per_humidity: form.perHumidity } : {}),
    lowest: correction.lowest,
    highest: correction.highest,
    most_humidity_percent: correction.mostHumidityPercent,
    made: correction.made,
    source: correction.source,
  }
}
