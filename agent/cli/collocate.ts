import {
  sideBySide,
  targetVerdict,
  unitPairs,
  type FitKind,
  type SideBySide,
  type TargetVerdict,
  type UnitPair,
} from '../analysis/analysis.js'
import { startOfDay } from '../averages/averages.js'
import { refuse, wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { readSpan, type DeskZone } from './desk-zone.js'
import { collocateCsv } from './collocate-csv.js'
import { readPrevious, readLevels } from './collocate-drift.js'
import { humidityFor, type HourlyHumidity } from './collocate-humidity.js'
import { collocateJson } from './collocate-json.js'
import { drawCollocation } from './collocate-svg.js'
import { captureOf, unitFound, type UnitFound } from './collocate-unit.js'
import { collocateText } from './collocate-words.js'
import { writeCorrections, type Written } from './collocate-write.js'
import {
  commonZone,
  compareChannel,
  dayMean,
  hoursFrom,
  openSources,
  type Hours,
  type Source,
} from './compare-hours.js'
import { readSeed } from './compare-seed.js'
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
  /** linear, humidity or growth. */
  readonly form?: string
  /** Where humidity comes from, if not from the unit itself. */
  readonly humidity?: string
  readonly humidityChannel?: string
  /** Correction files of earlier runs. */
  readonly previous?: readonly string[]
  readonly apply?: string
  /** Readings at which drift is told. */
  readonly levels?: string
  readonly write?: string
  /** Serial numbers in the order of the units, where no site log says them. */
  readonly serial?: readonly string[]
  readonly svg?: string
  readonly force?: boolean
  readonly csv?: boolean
  readonly json?: boolean
}

export interface CollocateFound {
  readonly channel: string
  readonly zone: DeskZone
  readonly reference: Hours
  readonly referenceCapture: number
  readonly units: readonly UnitFound[]
  readonly run: SideBySide
  /** Of each two units. */
  readonly pairs: readonly UnitPair[]
  readonly form: FitKind
  readonly verdict: TargetVerdict
  /** Numbers of days since 1970, both included. */
  readonly firstDay: number
  readonly lastDay: number
  readonly byHours: boolean
  readonly seed: number
}

const hourSeconds = 3600
const forms: Readonly<Record<string, FitKind>> = {
  linear: 'linear',
  humidity: 'linear-humidity',
  growth: 'growth',
}

/** Units beside a reference. @returns exit code: 0 told, 1 a slip, outside the targets or nothing to compare, 2 wrong use */
export async function collocate(options: CollocateOptions): Promise<number> {
  const found = await findCollocation(options)
  if (!found.ok) return refuse(found)
  let written: readonly Written[] = []
  if (options.write !== undefined) {
    const done = await writeCorrections(found.value, options.write, options)
    if (!done.ok) return refuse(done)
    written = done.value
  }
  const drawn = drawCollocation(found.value, options.svg, options.force ?? false)
  if (!drawn.ok) return refuse(drawn)
  process.stdout.write(told(found.value, options, written, drawn.value))
  return found.value.verdict === 'outside-targets' || found.value.units.some(hasSlip) ? 1 : 0
}

function told(
  found: CollocateFound,
  { json, csv }: CollocateOptions,
  written: readonly Written[],
  drawn: readonly string[],
): string {
  if (json) return collocateJson(found, written, drawn) + '\n'
  if (csv) return collocateCsv(found)
  return collocateText(found, written, drawn).join('\n') + '\n'
}

export const hasSlip = ({ lag }: UnitFound): boolean => (lag?.slipHours ?? 0) !== 0

async function findCollocation(options: CollocateOptions): Promise<Opened<CollocateFound>> {
  const channel = compareChannel(options.channel, 'pm2_5')
  if (!channel.ok) return channel
  const seed = readSeed(options.seed)
  if (!seed.ok) return seed
  const form = forms[options.form ?? 'linear']
  if (!form) return wrongUse(`--form ${options.form}: linear, humidity or growth`)
  const levels = readLevels(options.levels)
  if (!levels.ok) return levels
  const opened = await openAll(options, channel.value, form)
  if (!opened.ok) return opened
  const { reference, units, zone } = opened.value
  const previous = readPrevious(options, channel.value, units)
  if (!previous.ok) return previous
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
  const about = { reference, days, referenceDays, byHours, seed: seed.value, run, form, levels: levels.value }
  const progress = new Progress('drawing lines')
  const found = units.map((unit, i) => {
    progress.show(i / units.length)
    return unitFound(unit, unitDays[i], previous.value[i], about)
  })
  progress.show(1)
  return {
    ok: true,
    value: {
      channel: channel.value,
      zone,
      reference,
      referenceCapture: captureOf(reference, days),
      units: found,
      run,
      pairs: unitPairs(unitDays),
      form,
      verdict: nameOf(channel.value) === 'pm2_5' ? targetVerdict(run) : 'indicative-not-judged',
      ...{ firstDay, lastDay, byHours, seed: seed.value },
    },
  }
}

/** A unit as it was opened, before anything is worked out. */
export interface OpenedUnit {
  readonly hours: Hours
  readonly source: Source
  readonly serial?: string
  readonly humidity: HourlyHumidity
}

interface OpenedAll {
  readonly reference: Hours
  readonly units: readonly OpenedUnit[]
  readonly zone: DeskZone
}

async function openAll(
  options: CollocateOptions,
  channel: string,
  form: FitKind,
): Promise<Opened<OpenedAll>> {
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
  const units: OpenedUnit[] = []
  for (const source of sources) {
    const all = await read(source, channel)
    if (!all.ok) return all
    for (const hours of all.value) {
      const humidity = await humidityFor({ hours, source }, zone.value.offsetMinutes, options)
      if (!humidity.ok && form !== 'linear') return humidity
      const serial = options.serial?.[units.length] ?? hours.serial
      units.push({
        hours,
        source,
        serial,
        humidity: humidity.ok ? humidity.value : { name: undefined, at: noHumidity },
      })
    }
  }
  if (units.length === 0) return wrongUse(`no hour of ${channel} counts in ${options.unit.join(', ')}`)
  if ((options.serial?.length ?? 0) > units.length)
    return wrongUse(`--serial: ${options.serial!.length} numbers for ${units.length} units`)
  return { ok: true, value: { reference: reference.value, units, zone: zone.value } }
}

const noHumidity = (): number => NaN

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
