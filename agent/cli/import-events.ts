/**
 * An events file: a dated log of what was going on (blasts, trucks, mowing), in a form of our own that any spreadsheet opens.
 *
 *   start (motepost events 1),end,kind,words
 *   2026-03-01T08:00:00+01:00,2026-03-01T08:05:00+01:00,blast,"north face, two rows"
 *
 * Each row covers [start, end); where the log knows no end both are alike. The offset is that of local standard time. Rows
 * are in order of start. `kind` is one short word or two in small letters; `words` is what somebody noted, and may be empty.
 */
import { basename } from 'node:path'
import { utcMillis } from '../terms/terms.js'
import { isoText } from './desk-zone.js'
import { wrongUse, type Opened } from './desk.js'
import { csvRow } from './export-csv.js'
import { cellsOf } from './import-cells.js'
import { fileBeginsWith, linesOfFile, offsetMinutesOf } from './import-file.js'

export interface Activity {
  /** UTC, milliseconds. */
  readonly start: number
  /** Not included; the start itself where none is known. */
  readonly end: number
  readonly kind: string
  readonly words: string
}

export interface ActivityLog {
  readonly name: string
  /** Of local standard time, as the file tells its times. */
  readonly offsetMinutes: number
  /** In order of start. */
  readonly activities: readonly Activity[]
}

const firstHeading = 'start (motepost events 1)'
const headings = [firstHeading, 'end', 'kind', 'words']
const largestBytes = 64 * 1024 * 1024
const timeShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d$/

export function* eventsLines({ activities, offsetMinutes }: Omit<ActivityLog, 'name'>): Generator<string> {
  const text = (at: number): string => isoText(utcMillis(at), { offsetMinutes, source: '' })
  yield csvRow(headings, 'point')
  for (const { start, end, kind, words } of activities)
    yield csvRow([text(start), text(end), kind, words], 'point')
}

/** The apostrophe that keeps a text from being run by a spreadsheet is none of its words. */
const plain = (cell: string): string => cell.replace(/^'(?=\s*[=+\-@])/, '')

/** Whether a path is an events file rather than a series file, a folder or anything else. */
export const isEventsFile = (file: string): boolean => fileBeginsWith(file, firstHeading)

/** Reads what `import --events` wrote. Fails with words for whoever named the file. */
export function readEventsFile(file: string): Opened<ActivityLog> {
  if (!isEventsFile(file))
    return wrongUse(
      `${file} is no events file; make one of a log with: motepost import --events LOG --into FOLDER`,
    )
  const read = linesOfFile(file, largestBytes)
  if (!read.ok) return read
  const lines = read.value
  const activities: Activity[] = []
  for (const [i, line] of lines.slice(1).entries()) {
    const cells = cellsOf(line, ',')
    const activity = cells.length === headings.length ? activityOf(cells) : undefined
    if (!activity || activity.start < (activities[i - 1]?.start ?? -Infinity))
      return wrongUse(`${file}:${i + 2}: is no row of an events file (changed by hand?); import it anew`)
    activities.push(activity)
  }
  const offsetMinutes = offsetMinutesOf(lines[1]?.split(',')[0] ?? '')
  return {
    ok: true,
    value: { name: basename(file).replace(/\.events\.csv$/, ''), offsetMinutes, activities },
  }
}

function activityOf([from, to, kind, words]: readonly string[]): Activity | undefined {
  if (!timeShape.test(from) || !timeShape.test(to) || kind === '') return undefined
  const [start, end] = [Date.parse(from), Date.parse(to)]
  return end >= start ? { start, end, kind: plain(kind), words: plain(words) } : undefined
}

/** Activities that touch [from, to), by kind; a log in order of start is looked through from the beginning. */
export const activitiesIn = (log: ActivityLog, from: number, to: number): Activity[] =>
  log.activities.filter(({ start, end }) => start < to && (end > from || start >= from))
