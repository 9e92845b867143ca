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
  const abouts = headings.map(aboutOf)
  const unknown = keys.find((key) => kindOf(key) === undefined)
  if (unknown !== undefined) return wrongUse(`${file}:1: no channel is called ${unknown}`)
  const starts = new Float64Array(rows.length)
  const values = keys.map(() => new Float64Array(rows.length))
  let [offset, step] = [undefined as string | undefined, NaN]
  for (const [i, row] of rows.entries()) {
    const cells = row.split(',')
    const [start, seconds, ...figures] = cells
    starts[i] = Date.parse(start)
    if (i === 0) [offset, step] = [start.slice(19), Number(seconds)]
    figures.forEach((cell, channel) => (values[channel][i] = cell === '' ? NaN : Number(cell)))
    const isRow =
      cells.length === keys.length + 2 &&
      start.slice(19) === offset &&
      Number(seconds) === step &&
      !Number.isNaN(starts[i]) &&
      (i === 0 || starts[i] > starts[i - 1])
    if (!isRow)
      return wrongUse(`${file}:${i + 2}: is no row of this series (changed by hand?); import it anew`)
  }
  const minutes = offsetMinutesOf(offset ?? '')
  const name = basename(file).replace(/\.series\.csv$/, '')
  return {
    ok: true,
    value: { name, offsetMinutes: minutes, stepSeconds: step, keys, abouts, starts, values },
  }
}
