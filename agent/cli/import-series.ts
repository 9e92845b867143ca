/**
 * A series file: figures from elsewhere in a form of our own, a CSV with one line of headings that any spreadsheet opens.
 *
 *   start (motepost series 1),seconds,pm2_5 (ug/m3),temperature (C)
 *   2026-03-01T00:00:00+01:00,3600,12.5,
 *
 * Behind a unit of measure may stand more (import-about.ts). Each row covers [start, start + seconds). The offset is that of local standard time, the same in every row. Rows are in
 * order of time, none twice; an empty cell is a value that is not there. Lines end with LF; cells are never quoted.
 */
import { basename } from 'node:path'
import { kindOf, utcMillis } from '../terms/terms.js'
import { aboutOf, aboutText } from './import-about.js'
import { isoText } from './desk-zone.js'
import { wrongUse, type Opened } from './desk.js'
import { fileBeginsWith, linesOfFile, offsetMinutesOf } from './import-file.js'
import type { ImportedRows } from './import-rows.js'

export interface ImportedSeries extends ImportedRows {
  readonly name: string
  readonly offsetMinutes: number
  readonly stepSeconds: number
}

const firstHeading = 'start (motepost series 1)'
/** Nine years of minutes of a few channels. */
const largestBytes = 512 * 1024 * 1024
/** A month: what is longer is no row that hours and days could be made of. */
const longestStepSeconds = 31 * 86_400

export function* seriesLines(series: ImportedSeries): Generator<string> {
  const { keys, abouts, starts, values, offsetMinutes, stepSeconds } = series
  yield (
    [
      firstHeading,
      'seconds',
      ...keys.map((key, i) => `${key} (${kindOf(key)!.unit}${aboutText(key, abouts[i])})`),
    ].join(',') + '\n'
  )
  for (let i = 0; i < starts.length; i++) {
    let row = `${isoText(utcMillis(starts[i]), { offsetMinutes, source: '' })},${stepSeconds}`
    for (const column of values) row += Number.isNaN(column[i]) ? ',' : `,${column[i]}`
    yield row + '\n'
  }
}

/** Whether a path is a series file rather than a folder or anything else. */
export const isSeriesFile = (file: string): boolean => fileBeginsWith(file, firstHeading)

export function readSeriesFile(file: string): Opened<ImportedSeries> {
  const read = linesOfFile(file, largestBytes)
  if (!read.ok) return read
  const [heading, ...rows] = read.value
  const headings = heading.split(',').slice(2)
  const keys = headings.map((cell) => cell.split(' ')[0])
  const unknown = keys.find((key) => kindOf(key) === undefined)
  if (unknown !== undefined) return wrongUse(`${file}:1: no channel is called ${unknown}`)
  if (rows.length === 0) return wrongUse(`${file}:1: no row stands below the headings; import it anew`)
  const starts = new Float64Array(rows.length)
  const values = keys.map(() => new Float64Array(rows.length))
  const form = formOf(rows[0])
  for (const [i, row] of rows.entries()) {
    const figures = form && figuresOf(row, form, keys.length)
    if (!figures || (i > 0 && figures.start <= starts[i - 1]))
      return wrongUse(`${file}:${i + 2}: is no row of this series (changed by hand?); import it anew`)
    starts[i] = figures.start
    figures.values.forEach((value, channel) => (values[channel][i] = value))
  }
  const [name, offsetMinutes] = [basename(file).replace(/\.series\.csv$/, ''), offsetMinutesOf(form!.offset)]
  const { stepSeconds } = form!
  return {
    ok: true,
    value: { name, offsetMinutes, stepSeconds, keys, abouts: headings.map(aboutOf), starts, values },
  }
}

/** What is the same in every row. */
interface Form {
  readonly offset: string
  readonly stepSeconds: number
}

const startShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d([+-]\d\d:\d\d)$/
const stepShape = /^\d{1,7}(\.\d{1,3})?$/
/** As a number is written by this program, exponent and all. */
const figureShape = /^-?\d+(\.\d+)?(e[+-]\d{1,3})?$/

function formOf(row: string): Form | undefined {
  const [start, seconds = ''] = row.split(',', 2)
  const offset = startShape.exec(start)?.[1]
  const isStep = stepShape.test(seconds) && Number(seconds) >= 1 && Number(seconds) <= longestStepSeconds
  return offset !== undefined && isStep ? { offset, stepSeconds: Number(seconds) } : undefined
}

function figuresOf(
  row: string,
  { offset, stepSeconds }: Form,
  channels: number,
): { readonly start: number; readonly values: readonly number[] } | undefined {
  const [start, seconds, ...cells] = row.split(',')
  if (cells.length !== channels || startShape.exec(start)?.[1] !== offset || Number(seconds) !== stepSeconds)
    return undefined
  const at = Date.parse(start)
  const values = cells.map((cell) => (figureShape.test(cell) ? Number(cell) : NaN))
  const areFigures = values.every((value, i) => (cells[i] === '' ? true : Number.isFinite(value)))
  return Number.isNaN(at) || !areFigures ? undefined : { start: at, values }
}
