import {
  besideTargets,
  distance,
  fitCorrection,
  joinBlocks,
  lagTest,
  leastSquares,
  sideBySide,
  targetVerdict,
  type CorrectionFit,
  type DayPairs,
  type Distance,
  type LagTest,
  type Line,
  type SideBySide,
  type Targets,
  type TargetVerdict,
} from '../analysis/analysis.js'
import { startOfDay } from '../averages/averages.js'
import { refuse, wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { readSpan, type DeskZone } from './desk-zone.js'
import { collocateJson, collocateText } from './collocate-words.js'
import { writeCorrection, type Written } from './collocate-write.js'
import {
  commonZone,
  compareChannel,
  dayMean,
  hourMean,
  hoursBetween,
  hoursFrom,
  openSources,
  type Hours,
  type Source,
} from './compare-hours.js'
import { blockStarts, readSeed } from './compare-seed.js'
import { Progress } from './progress.js'

export interface CollocateOptions {
  readonly unit: readonly string[]
  readonly reference: string
  readonly channel?: string
  readonly referenceChannel?: string
  readonly storeId?: string
  readonly zone?: string
  readonly from?: string
  readonly to?: string
  readonly seed?: string
  readonly write?: string
  readonly serial?: string
  readonly force?: boolean
  readonly json?: boolean
}

/** One unit beside the reference. Figures of daily means; the correction of hours, where the reference has hours. */
export interface UnitFound {
  readonly hours: Hours
  readonly source: Source
  readonly days: number
  /** Hours that count of the hours of the run, 0 to 1. */
  readonly capture: number
  readonly line?: Line
  readonly distance?: Distance
  readonly targets?: Targets
  /** Absent where the reference has no hours. */
  readonly lag?: LagTest
  readonly fit?: CorrectionFit
}

export interface CollocateFound {
  readonly channel: string
  readonly zone: DeskZone
  readonly reference: Hours
  readonly referenceCapture: number
  readonly units: readonly UnitFound[]
  readonly run: SideBySide
  readonly verdict: TargetVerdict
  /** Numbers of days since 1970, both included. */
  readonly firstDay: number
  readonly lastDay: number
  readonly byHours: boolean
  readonly seed: number
}

const hourSeconds = 3600
/** Days lean on the day before: blocks of three are drawn together. */
const blockDays = 3

/** Units beside a reference. @returns exit code: 0 told, 1 a slip, outside the targets or nothing to compare, 2 wrong use */
export async function collocate(options: CollocateOptions): Promise<number> {
  const found = await findCollocation(options)
  if (!found.ok) return refuse(found)
  let written: Written | undefined
  if (options.write !== undefined) {
    const done = await writeCorrection(found.value, options.write, options)
    if (!done.ok) return refuse(done)
    written = done.value
  }
  const text = options.json
    ? collocateJson(found.value, written)
    : collocateText(found.value, written).join('\n')
  process.stdout.write(text + '\n')
  return found.value.verdict === 'outside-targets' || found.value.units.some(hasSlip) ? 1 : 0
}

export const hasSlip = ({ lag }: UnitFound): boolean => (lag?.slipHours ?? 0) !== 0

async function findCollocation(options: CollocateOptions): Promise<Opened<CollocateFound>> {
  const channel = compareChannel(options.channel, 'pm2_5')
  if (!channel.ok) return channel
  const seed = readSeed(options.seed)
  if (!seed.ok) return seed
  const opened = await openAll(options, channel.value)
  if (!opened.ok) return opened
  const { reference, units, zone } = opened.value
  const span = readSpan(options.from, options.to, zone)
  if (!span.ok) return span
  const local = (utc: number): number => utc + zone.offsetMinutes * 60_000
  const asked = (day: number): boolean =>
    startOfDay(day) >= local(span.value.from) && startOfDay(day + 1) <= local(span.value.to)
  const shared = reference.sums
    .days()
    .filter((day) => asked(day) && !Number.isNaN(dayMean(reference.sums, day)))
    .filter((day) => units.some(({ hours }) => !Number.isNaN(dayMean(hours.sums, day))))
  if (shared.length === 0)
    return {
      ok: false,
      code: 1,
      words: 'no day is valid for both the reference and a unit: nothing can be compared',
    }
  const [firstDay, lastDay] = [shared[0], shared[shared.length - 1]]
  const days = Array.from({ length: lastDay - firstDay + 1 }, (_, i) => firstDay + i)
  const referenceDays = days.map((day) => dayMean(reference.sums, day))
  const unitDays = units.map(({ hours }) => days.map((day) => dayMean(hours.sums, day)))
  const run = sideBySide(referenceDays, unitDays)!
  const byHours = reference.stepSeconds <= hourSeconds
  const about = { reference, days, referenceDays, byHours, seed: seed.value, run }
  return {
    ok: true,
    value: {
      channel: channel.value,
      zone,
      reference,
      referenceCapture: captureOf(reference, days),
      units: units.map((unit, i) => unitFound(unit, unitDays[i], about)),
      run,
      verdict: nameOf(channel.value) === 'pm2_5' ? targetVerdict(run) : 'indicative-not-judged',
      ...{ firstDay, lastDay, byHours, seed: seed.value },
    },
  }
}

interface OpenedAll {
  readonly reference: Hours
  readonly units: readonly { readonly hours: Hours; readonly source: Source }[]
  readonly zone: DeskZone
}

async function openAll(options: CollocateOptions, channel: string): Promise<Opened<OpenedAll>> {
  const references = await openSources(options.reference)
  if (!references.ok) return references
  const sources: Source[] = []
  for (const path of options.unit) {
    const opened = await openSources(path, options.storeId)
    if (!opened.ok) return opened
    sources.push(...opened.value)
  }
  const zone = commonZone(options.zone, [...references.value, ...sources])
  if (!zone.ok) return zone
  const progress = new Progress('adding up records')
  const read = (source: Source, of: string) =>
    hoursFrom(source, of, zone.value.offsetMinutes, (share) => progress.show(share))
  const reference = await oneReference(references.value, options.referenceChannel ?? nameOf(channel), read)
  if (!reference.ok) return reference
  const units: { hours: Hours; source: Source }[] = []
  for (const source of sources) {
    const hours = await read(source, channel)
    if (!hours.ok) return hours
    units.push(...hours.value.map((one) => ({ hours: one, source })))
  }
  if (units.length === 0) return wrongUse(`no hour of ${channel} counts in ${options.unit.join(', ')}`)
  return { ok: true, value: { reference: reference.value, units, zone: zone.value } }
}

async function oneReference(
  sources: readonly Source[],
  channel: string,
  read: (source: Source, channel: string) => Promise<Opened<Hours[]>>,
): Promise<Opened<Hours>> {
  const all: Hours[] = []
  for (const source of sources) {
    const hours = await read(source, channel)
    if (!hours.ok) return hours
    all.push(...hours.value)
  }
  if (all.length === 1) return { ok: true, value: all[0] }
  if (all.length === 0) return wrongUse(`the reference has no hour of ${channel} that counts`)
  return wrongUse(
    `the reference holds several series of ${channel} (${all.map(({ name }) => name).join('; ')}); name one slot with --reference-channel, or a series file`,
  )
}

interface About {
  readonly reference: Hours
  readonly days: readonly number[]
  readonly referenceDays: readonly number[]
  readonly byHours: boolean
  readonly seed: number
  readonly run: SideBySide
}

function unitFound(
  { hours, source }: OpenedAll['units'][number],
  unitDays: readonly number[],
  { reference, days, referenceDays, byHours, seed, run }: About,
): UnitFound {
  const both = days.flatMap((_, i) =>
    Number.isNaN(unitDays[i] + referenceDays[i]) ? [] : [{ x: referenceDays[i], y: unitDays[i] }],
  )
  const [x, y] = [both.map((pair) => pair.x), both.map((pair) => pair.y)]
  const line = leastSquares(x, y)
  const apart = distance(x, y)
  const at = hoursBetween(startOfDay(days[0]), startOfDay(days[days.length - 1] + 1))
  const lag = byHours
    ? lagTest(
        at.map((hour) => hourMean(reference.sums, hour)),
        at.map((hour) => hourMean(hours.sums, hour)),
      )
    : undefined
  const pairs = dayPairs(hours, reference, days, byHours)
  return {
    ...{ hours, source, days: both.length, capture: captureOf(hours, days), line, distance: apart, lag },
    targets: line && apart && besideTargets({ ...run, ...line }),
    fit: fitCorrection(pairs, drawnDays(pairs.length, seed)),
  }
}

const captureOf = ({ sums }: Hours, days: readonly number[]): number => {
  const at = hoursBetween(startOfDay(days[0]), startOfDay(days[days.length - 1] + 1))
  return at.filter((hour) => !Number.isNaN(hourMean(sums, hour))).length / at.length
}

/** Pairs of hours by day, or of a day where the reference has no hours; days without a pair are left out. */
function dayPairs(unit: Hours, reference: Hours, days: readonly number[], byHours: boolean): DayPairs[] {
  return days.flatMap((day) => {
    const pairs = byHours
      ? hoursBetween(startOfDay(day), startOfDay(day + 1)).map((at) => [
          hourMean(unit.sums, at),
          hourMean(reference.sums, at),
        ])
      : [[dayMean(unit.sums, day), dayMean(reference.sums, day)]]
    const whole = pairs.filter(([u, r]) => !Number.isNaN(u + r))
    return whole.length > 0 ? [{ unit: whole.map(([u]) => u), reference: whole.map(([, r]) => r) }] : []
  })
}

function* drawnDays(days: number, seed: number): Generator<number[]> {
  const indices = Array.from({ length: days }, (_, i) => i)
  if (days < blockDays) return
  for (const starts of blockStarts(days, blockDays, seed))
    yield joinBlocks(indices, starts, blockDays, false)!
}

/** Which targets a unit misses, in words; none where no line could be drawn. */
export const missedTargets = ({ targets }: UnitFound): string[] =>
  targets
    ? (['slope', 'intercept', 'rSquared', 'error', 'precision'] as const)
        .filter((one) => !targets[one])
        .map((one) => (one === 'rSquared' ? 'R²' : one))
    : ['no line can be drawn']
