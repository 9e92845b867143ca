/** The correction file of a unit, as `limits` reads it back; of several units one each, in a folder. */
import { mkdirSync } from 'node:fs'
import { join } from 'node:path'
import { Document, isScalar, visit } from 'yaml'
import { dayText, startOfDay } from '../averages/averages.js'
import {
  correctionPlain,
  mostGrowthHumidity,
  type AppliedRun,
  type Correction,
  type LimitChannel,
} from '../limits/limits.js'
import { hasSlip, type CollocateFound, type CollocateOptions } from './collocate.js'
import { digits, roundedForm, runOfFit, withEarlier } from './collocate-drift.js'
import type { UnitFound } from './collocate-unit.js'
import { fitTroubleWords } from './collocate-words.js'
import { hoursBetween } from './compare-hours.js'
import { wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { Sink } from './sink.js'

export interface Written {
  readonly file: string
  readonly correction: Correction
  /** The unit's box knew no humidity: the correction says nothing of it. */
  readonly humidityUnknown: boolean
}

/** Nothing is written before every unit has its correction. */
export async function writeCorrections(
  found: CollocateFound,
  place: string,
  options: CollocateOptions,
): Promise<Opened<readonly Written[]>> {
  const made: Written[] = []
  const isFolder = found.units.length > 1
  for (const unit of found.units) {
    const correction = correctionFor(found, unit, options)
    if (!correction.ok) return correction
    const name = `${nameOf(found.channel)}-${unit.serial!.replace(/[^A-Za-z0-9._-]+/g, '-')}.yaml`
    const file = isFolder ? join(place, name) : place
    if (made.some((one) => one.file === file))
      return wrongUse(`two units have the serial number ${unit.serial}`)
    made.push({
      file,
      correction: correction.value,
      humidityUnknown: mostHumidity(unit, found) === undefined,
    })
  }
  const folder = isFolder ? madeFolder(place) : undefined
  if (folder) return folder
  for (const { file, correction } of made) {
    const done = await writeFile(file, correction, options.force ?? false)
    if (done) return done
  }
  return { ok: true, value: made }
}

type Failed = Extract<Opened<never>, { ok: false }>

function madeFolder(folder: string): Failed | undefined {
  try {
    mkdirSync(folder, { recursive: true })
    return undefined
  } catch (error) {
    return { ok: false, code: 1, words: `${folder} cannot be made: ${(error as Error).message}` }
  }
}

async function writeFile(file: string, correction: Correction, force: boolean): Promise<Failed | undefined> {
  const sink = await Sink.open(file, force)
  if (!sink.ok) return sink
  sink.value.write(yamlText(correctionPlain(correction)))
  const wrong = await sink.value.end()
  return wrong === undefined
    ? undefined
    : { ok: false, code: 1, words: `${file} could not be written: ${wrong}` }
}

/** Intervals on one line: [low, high]. */
function yamlText(plain: unknown): string {
  const document = new Document(plain)
  visit(document, {
    Seq: (_, list) => {
      if (list.items.every(isScalar)) list.flow = true
    },
  })
  return document.toString({ lineWidth: 0, flowCollectionPadding: false })
}

function correctionFor(
  found: CollocateFound,
  unit: UnitFound,
  options: CollocateOptions,
): Opened<Correction> {
  const { name } = unit.hours
  if (hasSlip(unit))
    return wrongUse(`no correction is written while the hours of ${name} and the reference slip; see --label`)
  if (!unit.fit) return wrongUse(`no correction is written: ${name}: ${fitTroubleWords(unit)}`)
  if (unit.serial === undefined)
    return wrongUse(`a correction belongs to one unit: say the serial number of ${name} with --serial`)
  const apply = (options.apply ?? 'linear') as AppliedRun
  return withEarlier(correctionOf(found, unit, unit.serial), unit.previous, apply)
}

function correctionOf(found: CollocateFound, unit: UnitFound, serial: string): Correction {
  const { hours, fit } = unit
  const { heldOut, days, lowest, highest, form } = fit!
  const humid = mostHumidity(unit, found)
  const most = Math.min(humid ?? 100, form.kind === 'growth' ? mostGrowthHumidity : 100)
  return {
    name: `${nameOf(found.channel)} of ${serial} beside ${found.reference.name}`.slice(0, 400),
    channel: nameOf(found.channel) as LimitChannel,
    serial,
    ...(hours.scaling === undefined ? {} : { scaling: hours.scaling }),
    form: roundedForm(form),
    lowest: digits(lowest),
    highest: digits(highest),
    mostHumidityPercent: most,
    made: dayText(Math.floor((Date.now() + found.zone.offsetMinutes * 60_000) / 86_400_000)),
    source: (
      `side by side with ${found.reference.name}, ${days} days; ` +
      `on days held out RMSE ${heldOut.raw.rmse.toFixed(2)} raw, ${heldOut.corrected.rmse.toFixed(2)} corrected; ` +
      (humid === undefined ? 'humidity was not recorded' : 'up to the humidity of the run')
    ).slice(0, 400),
    run: { from: dayText(found.firstDay), to: dayText(found.lastDay), interval: runOfFit(fit!).interval },
  }
}

/** %RH, of the hours of the run; undefined where none was recorded. */
function mostHumidity({ humidity }: UnitFound, { firstDay, lastDay }: CollocateFound): number | undefined {
  const most = hoursBetween(startOfDay(firstDay), startOfDay(lastDay + 1)).reduce((highest, at) => {
    const value = humidity.at(at)
    return value > highest ? value : highest
  }, -Infinity)
  return Number.isFinite(most) ? Math.min(100, Math.max(1, Math.ceil(most))) : undefined
}
