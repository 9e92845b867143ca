/** What an import says: what was taken, what was refused and why, and what to try where nothing could be read. */
import { kindOf, utcMillis, utcText } from '../terms/terms.js'
import { isoText } from './desk-zone.js'
import { takenAsInferred } from './import-about.js'
import { cellsOf, likelyDelimiter } from './import-cells.js'
import type { Imported } from './import.js'
import type { ImportPlan } from './import-plan.js'
import { rowRefusals, type ImportRows } from './import-rows.js'
import { folded, tableText, textWidth } from './plain-text.js'

type Told = Pick<Imported, 'from' | 'plan' | 'rows'> & Partial<Imported>

export function importText({ from, to, rows, plan, series }: Told): string[] {
  const lines = [`${from}: ${rows.lines} lines`]
  if (series)
    lines.push(
      `taken: ${series.starts.length} rows of ${series.stepSeconds} s, ${span(series)}`,
      `times name the ${plan.label ?? 'start'} of each row${plan.label === undefined ? ' (nobody said so; see --label)' : ''}`,
    )
  if (rows.outOfOrder > 0) lines.push(`${rows.outOfOrder} rows were out of order and are sorted now`)
  lines.push('', ...columnRows(rows), ...refusedLines(rows.refused, rowRefusals))
  lines.push(...columnNotes(rows), ...(series ? basisLines(series, plan) : []))
  if (to !== undefined) lines.push('', `written: ${to}`)
  else lines.push('', ...whereHint(rows), ...timeHint(rows), 'nothing was written')
  return lines
}

/** Units that the log names, and cells that are no plain numbers. */
function columnNotes({ header, columns, sawComma }: ImportRows): string[] {
  const foreign = (header?.channels ?? []).filter(({ named, scale }) => named && scale)
  const notes = [
    ...foreign.map(
      ({ key, named }) => `${key}: in ${named!.unit} as the log says, made ${kindOf(key)!.unit}.`,
    ),
    ...[...columns]
      .filter(([, column]) => column['less-than'] > 0)
      .map(
        ([key, column]) =>
          `${key}: ${column['less-than']} cells say only 'less than' (<2): no number is made of them, so means of what is left are too high.`,
      ),
    ...(sawComma ? ['Some cells have a decimal comma: say --decimal comma.'] : []),
  ]
  return notes.length > 0 ? ['', ...notes.map((note) => folded(note, textWidth, 2))] : []
}

/** What nobody said, and what follows of it. */
function basisLines({ keys, abouts }: NonNullable<Imported['series']>, plan: ImportPlan): string[] {
  const channels = takenAsInferred(keys, abouts, plan)
  if (channels.length === 0) return []
  const words =
    `${channels.join(', ')}: taken as inferred from smaller particles, as optical sensors do, so never said to be below a limit. ` +
    `If it was measured, say --measured ${channels.join(',')}, or --instrument reference.`
  return ['', folded(words, textWidth)]
}

/** Where --where left no row: what stands in that column instead. */
const whereHint = ({ rows, header }: ImportRows): string[] =>
  rows === 0 ? (header?.where?.hints() ?? []).map((hint) => folded(hint, textWidth)) : []

/** Where no row had a time: what the first one said, and how times are named. */
const timeHint = ({ firstNoTime }: ImportRows): string[] =>
  firstNoTime === undefined
    ? []
    : [
        folded(
          `The first time that could not be read is '${printable(firstNoTime.slice(0, 60))}': say its form with --time-format 'DD.MM.YYYY HH:mm', ` +
            'or, where date and time stand apart, name both columns with --time date,time.',
          textWidth,
        ),
      ]

const printable = (text: string): string => text.replace(/[^\x20-\x7e\u00a0-\uffff]/g, '?')

const span = ({ starts, stepSeconds, offsetMinutes }: NonNullable<Imported['series']>): string => {
  const text = (at: number): string => isoText(utcMillis(at), { offsetMinutes, source: '' })
  return `${text(starts[0])} to ${text(starts[starts.length - 1] + stepSeconds * 1000)}`
}

function columnRows({ columns }: ImportRows): string[] {
  const rows = [...columns].map(([key, column]) => [
    key,
    ...[column.values, column.missing, column['not-a-number'] + column['less-than'], column.impossible].map(
      String,
    ),
    lineList(column.first, column['not-a-number'] + column['less-than'] + column.impossible),
  ])
  return tableText([['channel', 'values', 'missing', 'not a number', 'impossible', 'lines'], ...rows], 1)
}

const lineList = (first: readonly number[], all: number): string =>
  first.join(' ') + (all > first.length ? ' …' : '')

/** Lines that were not taken, by reason, with the numbers of the first few. */
export function refusedLines<Reason extends string>(
  refused: ReadonlyMap<Reason, { readonly lines: number; readonly first: readonly number[] }>,
  words: Readonly<Record<Reason, string>>,
): string[] {
  if (refused.size === 0) return []
  return [
    '',
    'not taken:',
    ...[...refused].map(([reason, { lines, first }]) =>
      folded(
        `${String(lines).padStart(8)}  ${words[reason]} (lines ${lineList(first, lines)})`,
        textWidth,
        10,
      ),
    ),
  ]
}

/** Why no headings were found, with the first line as it stands, cut. */
export function noHeadingWords(file: string, { firstLine }: ImportRows, plan: ImportPlan): string {
  const wanted = [
    ...(plan.time ?? ['a time column']),
    ...(plan.map.size > 0 ? plan.map.keys() : ['a channel']),
    ...plan.where.keys(),
  ]
  const shown = printable(firstLine.slice(0, 200))
  const there = cellsOf(firstLine.toLowerCase(), plan.delimiter ?? likelyDelimiter(firstLine, plan.decimal))
  const named = [...(plan.time ?? []), ...plan.map.keys(), ...plan.where.keys()]
  const lacking = named.filter((name) => !there.includes(name.toLowerCase()))
  return [
    `${file}: no line of headings with ${wanted.join(', ')} was found. Its first line:`,
    `  ${shown === '' ? '(none: the file is empty)' : shown}`,
    ...(lacking.length > 0 && lacking.length < named.length
      ? [`There is no column ${lacking.join(', ')}.`]
      : []),
    'Name columns with --time COLUMN and --map CHANNEL=COLUMN; a log without headings needs --no-header,',
    'and its columns are then called 1, 2, 3.',
  ].join('\n')
}

export function importJson({ from, to, rows, plan, series }: Imported): string {
  const at = (millis: number): string => utcText(utcMillis(millis))
  const { starts, stepSeconds, name, offsetMinutes } = series
  return JSON.stringify(
    {
      from,
      written: to,
      name,
      lines: rows.counts(starts.length),
      label: plan.label ?? 'start',
      step_s: stepSeconds,
      standard_offset_min: offsetMinutes,
      first_start: at(starts[0]),
      last_start: at(starts[starts.length - 1]),
      out_of_order: rows.outOfOrder,
      channels: Object.fromEntries(
        [...rows.columns].map(([key, one]) => [
          key,
          {
            ...one,
            basis: plan.about(key).basis,
            unit_in_log: rows.header?.channels.find((channel) => channel.key === key)?.named?.unit ?? null,
          },
        ]),
      ),
      refused: Object.fromEntries(
        [...rows.refused].map(([reason, one]) => [
          reason,
          { lines: one.lines, first_lines: one.first, words: rowRefusals[reason] },
        ]),
      ),
    },
    undefined,
    2,
  )
}
