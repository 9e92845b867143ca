/** The hourly table that is handed to somebody else, with a data dictionary in a file beside it. */
import { writeFileSync } from 'node:fs'
import { basename } from 'node:path'
import { hourRules, isHour, type PeriodFigure } from '../averages/averages.js'
import { utcText } from '../terms/terms.js'
import { besideOf, type Beside } from './averages-beside.js'
import { uncertaintyWords } from './averages-beside-words.js'
import { humidFromPercent, isHumid } from './averages-humidity.js'
import { decimalsOf, findAverages, utcOf, type AveragesFound, type SeriesFigures } from './averages.js'
import { wrongUse, type Opened } from './desk.js'
import { slotOf } from './desk-records.js'
import { isoText, zoneWords } from './desk-zone.js'
import { csvRow, num, type Cell } from './export-csv.js'
import type { ExportOptions } from './export.js'
import { Sink } from './sink.js'

interface ColumnWords {
  readonly name: string
  readonly meaning: string
  readonly unit?: string
  readonly values?: Readonly<Record<string, string>>
}

const classes: Readonly<Record<PeriodFigure['kind'], string>> = {
  full: `at least ${hourRules.fullSeconds / 60} min used`,
  sampled: `at least ${hourRules.sampledSeconds / 60} min used, and ${hourRules.quarterSeconds / 60} min or more in each quarter-hour; the mean weighs quarter-hours alike`,
  short: 'too little for an hourly figure: no value is given',
  empty: 'nothing was used',
}

const qualifiers: Readonly<Record<string, string>> = {
  'at-least': 'a part was over the range of the instrument: the true mean is at least this',
  marked: 'a part carries a warning (spike, humid, not settled and others; the minutes say which)',
  humid: `${humidFromPercent} %RH or more as mean of the hour: water on particles may be counted`,
  'humidity-unknown': 'no humidity was recorded for the hour',
  inferred: 'inferred from smaller particles, not measured: coarse dust may be missed',
  'recorded-twice': 'more time was recorded than there is: the clock was set back',
  'outside-correction': 'the correction does not hold for this hour: no corrected value',
}

const columns: readonly ColumnWords[] = [
  { name: 'station', meaning: 'name of the station' },
  { name: 'site', meaning: 'place of the deployment by the site log; empty where the log names none' },
  { name: 'unit', meaning: 'serial number of the physical unit; empty where it was not recorded' },
  { name: 'slot', meaning: 'which of several instruments of a kind; empty where there is one' },
  { name: 'parameter', meaning: 'what is measured: pm2_5 is the mass of particles up to 2.5 µm' },
  { name: 'measured_in', meaning: 'unit of raw and corrected' },
  {
    name: 'scaling',
    meaning: "which of a sensor's two mass outputs; empty where it has one",
    values: {
      atmospheric: 'output for outdoor air',
      'standard-particle': 'output for the standard particle',
    },
  },
  {
    name: 'basis',
    meaning: 'how the instrument comes to it',
    values: { measured: 'measured', inferred: 'inferred from smaller particles' },
  },
  { name: 'start_utc', meaning: 'start of the hour in UTC (ISO 8601); the hour does not contain its end' },
  { name: 'start_standard', meaning: 'the same start in local standard time, which has no summer time' },
  { name: 'raw', meaning: 'mean of the hour as measured, uncorrected; only of full and sampled hours' },
  {
    name: 'corrected',
    meaning: 'the same, corrected; empty where no correction was given or it does not hold',
  },
  { name: 'correction', meaning: 'name of the correction; empty where none was applied' },
  { name: 'used_minutes', meaning: 'time whose readings count', unit: 'min' },
  { name: 'planned_minutes', meaning: 'time in which the instrument was to run', unit: 'min' },
  { name: 'class', meaning: 'what the hour is', values: classes },
  {
    name: 'qualifier',
    meaning: 'what must be known of it; several are divided by blanks',
    values: qualifiers,
  },
]

function* rowsOf(found: AveragesFound): Generator<Cell[]> {
  for (const one of found.figures) {
    const beside = besideOf(found, one)
    for (const { figure } of one.rows) yield rowOf(found, one, beside, figure)
  }
}

function rowOf(
  { station, zone }: AveragesFound,
  one: SeriesFigures,
  beside: Beside | undefined,
  figure: PeriodFigure,
): Cell[] {
  const { column, unit, deployment } = one.series
  const decimals = decimalsOf(one.series)
  const utc = utcOf(figure.from, zone)
  const corrected = beside?.corrected?.hourOf(figure.from).mean ?? NaN
  const [name] = column.channel.split('.')
  return [
    ...[station, deployment?.place, unit?.serial, slotOf(column.channel), name],
    ...[column.unit, column.scaling, column.basis, utcText(utc), isoText(utc, zone)],
    num(isHour(figure) ? figure.mean : NaN, decimals),
    num(corrected, decimals),
    Number.isNaN(corrected) ? undefined : beside?.corrected?.correction.name,
    num(figure.usedSeconds / 60, 2),
    num(figure.plannedSeconds / 60, 2),
    figure.kind,
    qualifiersOf(column.basis, beside, figure).join(' '),
  ]
}

function qualifiersOf(basis: string, beside: Beside | undefined, figure: PeriodFigure): string[] {
  const { humidity, corrected } = beside ?? {}
  const known = humidity ? !Number.isNaN(humidity.at(figure.from)) : false
  const words: Readonly<Record<string, boolean>> = {
    'at-least': figure.atLeast,
    marked: figure.unmarkedSeconds < figure.usedSeconds - 0.05,
    humid: humidity !== undefined && isHumid(humidity, figure.from),
    'humidity-unknown': humidity !== undefined && !known,
    inferred: basis === 'inferred',
    'recorded-twice': figure.doubled,
    'outside-correction': corrected !== undefined && isHour(figure) && !corrected.of(figure).ok,
  }
  return Object.keys(qualifiers).filter((word) => words[word])
}

/** 'table.csv' has its dictionary in 'table.dictionary.json'. */
export const dictionaryFile = (table: string): string => `${table.replace(/\.csv$/, '')}.dictionary.json`

/** A series of a reference instrument is not that of an indicative sensor. */
function cautionOf(figures: readonly SeriesFigures[]): string {
  const references = figures.filter(({ series }) => series.uncertainty?.source === 'reference')
  const words = [
    ...(references.length < figures.length
      ? [
          'Figures of an indicative sensor. Until it was compared with a reference its uncertainty is taken as ±50 % (class of indicative measurement in EU law, from memory).',
        ]
      : []),
    ...references.map(
      ({ series: { column, uncertainty } }) =>
        `${column.channel}: figures of a reference instrument, as said at import; uncertainty: ${uncertaintyWords(uncertainty!)}.`,
    ),
  ]
  return words.join(' ')
}

function dictionaryOf(found: AveragesFound, table: string, options: ExportOptions): string {
  const comma = options.decimal === 'comma'
  return (
    JSON.stringify(
      {
        v: 1,
        table: basename(table),
        form: `CSV (RFC 4180), UTF-8, headings in the first line, cells divided by ${comma ? ';, decimal comma' : ','}`,
        made_of: { station: found.station, store: found.storeId },
        local_standard_time: zoneWords(found.zone),
        rows: 'one for each hour of each parameter, unit and site, from its first hour with data to its last',
        columns,
        corrections: found.chosen.corrections.map(({ name, channel, serial, source }) => ({
          ...{ name, parameter: channel, unit: serial, source },
        })),
        caution: cautionOf(found.figures),
      },
      undefined,
      2,
    ) + '\n'
  )
}

/** @returns rows written and what must be told beside them */
export async function exportHandOver(
  options: ExportOptions,
): Promise<Opened<{ readonly rows: number; readonly found: AveragesFound }>> {
  if (options.out === undefined)
    return wrongUse('--of hand-over: say --out FILE; the data dictionary is written beside it')
  if (options.format === 'senml') return wrongUse('--of hand-over is a CSV')
  const found = await findAverages({ ...options, everything: true })
  if (!found.ok) return found
  const sink = await Sink.open(options.out, options.force ?? false)
  if (!sink.ok) return sink
  const decimal = options.decimal === 'comma' ? 'comma' : 'point'
  sink.value.write(
    (options.bom ? '\ufeff' : '') +
      csvRow(
        columns.map(({ name }) => name),
        decimal,
      ),
  )
  let rows = 0
  for (const cells of rowsOf(found.value)) {
    sink.value.write(csvRow(cells, decimal))
    rows++
    await sink.value.drained()
  }
  const failed = (await sink.value.end()) ?? writeDictionary(found.value, options.out, options)
  if (failed !== undefined) return { ok: false, code: 1, words: `not written to its end: ${failed}` }
  return { ok: true, value: { rows, found: found.value } }
}

/** It belongs to the table, and goes where the table went. */
function writeDictionary(found: AveragesFound, table: string, options: ExportOptions): string | undefined {
  try {
    writeFileSync(dictionaryFile(table), dictionaryOf(found, table, options), {
      flag: options.force ? 'w' : 'wx',
    })
    return undefined
  } catch (error) {
    return (error as Error).message
  }
}
