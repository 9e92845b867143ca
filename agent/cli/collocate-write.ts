/** The correction file of one unit, as `limits` reads it back. */
import { stringify } from 'yaml'
import { correctionPlain, type Correction, type LimitChannel } from '../limits/limits.js'
import { dayText, hourAt, isHour, startOfDay } from '../averages/averages.js'
import { wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { hasSlip, type CollocateFound, type CollocateOptions, type UnitFound } from './collocate.js'
import { hoursBetween, hoursFrom } from './compare-hours.js'
import { intervalText } from './collocate-words.js'
import { Sink } from './sink.js'

export interface Written {
  readonly file: string
  readonly correction: Correction
  /** The unit's box knew no humidity: the correction says nothing of it. */
  readonly humidityUnknown: boolean
}

export async function writeCorrection(
  found: CollocateFound,
  file: string,
  options: CollocateOptions,
): Promise<Opened<Written>> {
  const [unit, ...others] = found.units
  if (others.length > 0)
    return wrongUse(
      '--write makes the correction of one unit: name one with --unit, and --channel with its slot',
    )
  if (hasSlip(unit))
    return wrongUse('no correction is written while the hours of unit and reference slip; see --label')
  if (!unit.fit) return wrongUse('no correction is written: it needs 10 days and figures that vary')
  const serial = options.serial ?? unit.hours.serial
  if (serial === undefined)
    return wrongUse('a correction belongs to one unit: say its serial number with --serial')
  const mostHumid = await mostHumidity(unit, found)
  if (!mostHumid.ok) return mostHumid
  const correction = correctionOf(found, unit, serial, mostHumid.value)
  const sink = await Sink.open(file, options.force ?? false)
  if (!sink.ok) return sink
  sink.value.write(stringify(correctionPlain(correction), { lineWidth: 0 }))
  const wrong = await sink.value.end()
  if (wrong !== undefined) return { ok: false, code: 1, words: `${file} could not be written: ${wrong}` }
  return { ok: true, value: { file, correction, humidityUnknown: mostHumid.value === undefined } }
}

const digits = (value: number): number => Number(value.toPrecision(6))

function correctionOf(
  found: CollocateFound,
  { hours, fit }: UnitFound,
  serial: string,
  mostHumidity: number | undefined,
): Correction {
  const { heldOut, slopeInterval, interceptInterval, days, intercept, slope, lowest, highest } = fit!
  const span = `${dayText(found.firstDay)} to ${dayText(found.lastDay)}`
  return {
    name: `${nameOf(found.channel)} of ${serial} beside ${found.reference.name}`,
    channel: nameOf(found.channel) as LimitChannel,
    serial,
    ...(hours.scaling === undefined ? {} : { scaling: hours.scaling }),
    form: { kind: 'linear', intercept: digits(intercept), slope: digits(slope) },
    lowest: digits(lowest),
    highest: digits(highest),
    mostHumidityPercent: mostHumidity ?? 100,
    made: dayText(Math.floor((Date.now() + found.zone.offsetMinutes * 60_000) / 86_400_000)),
    source:
      `side by side with ${found.reference.name}, ${span}, ${days} days; ` +
      `95 % intervals: slope ${intervalText(slopeInterval, 3)}, intercept ${intervalText(interceptInterval, 2)}; ` +
      `on days held out RMSE ${heldOut.raw.rmse.toFixed(2)} raw, ${heldOut.corrected.rmse.toFixed(2)} corrected; ` +
      (mostHumidity === undefined ? 'humidity was not recorded' : 'up to the humidity of the run'),
  }
}

/** Of the hours of the run in the same box; undefined where none was recorded. */
async function mostHumidity(unit: UnitFound, found: CollocateFound): Promise<Opened<number | undefined>> {
  const humid = await hoursFrom(unit.source, 'humidity', found.zone.offsetMinutes)
  if (!humid.ok) return humid
  const [first] = humid.value
  if (!first) return { ok: true, value: undefined }
  const hours = hoursBetween(startOfDay(found.firstDay), startOfDay(found.lastDay + 1))
    .map((at) => hourAt(first.sums, at))
    .filter(isHour)
  const most = Math.max(...hours.map(({ mean }) => mean))
  return { ok: true, value: Number.isFinite(most) ? Math.min(100, Math.max(1, Math.ceil(most))) : undefined }
}
