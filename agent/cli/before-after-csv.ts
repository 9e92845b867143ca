/** The figures of a comparison: one row for each series compared. */
import type { BeforeAfterFound } from './before-after.js'
import type { Changed } from './before-after-days.js'
import { csvRow, num, type Cell } from './export-csv.js'

const headings = [
  ...['what', 'series', 'background', 'channel', 'at', 'verdict', 'days_before', 'days_after'],
  ...['mean_before (ug/m3)', 'mean_after (ug/m3)', 'change (ug/m3)', 'low_95', 'high_95'],
  ...['hodges_lehmann (ug/m3)', 'mann_whitney_p', 'hours_left_out'],
]

export function beforeAfterCsv(found: BeforeAfterFound): string {
  const { change, alone, background, without } = found
  const about = [found.name, background?.name, found.channel, found.at, found.verdict]
  const rows = [
    cells('change', about, change),
    ...(alone
      ? [cells('series alone', about, alone.series), cells('background alone', about, alone.background)]
      : []),
    ...without.map((one) => cells(`without ${one.which}`, about, one.change, one.leftOut)),
  ]
  return [headings, ...rows].map((row) => csvRow(row, 'point')).join('')
}

function cells(what: string, about: readonly Cell[], one: Changed | undefined, leftOut?: number): Cell[] {
  const number = (value: number | undefined, places: number): Cell =>
    value === undefined || !Number.isFinite(value) ? undefined : num(value, places)
  return [
    ...[what, ...about, number(one?.daysBefore, 0), number(one?.daysAfter, 0)],
    ...[number(one?.before, 3), number(one?.after, 3), number(one?.change, 3)],
    ...[number(one?.interval[0], 3), number(one?.interval[1], 3)],
    ...[number(one?.ranks.shift, 3), number(one?.ranks.p, 6), number(leftOut, 0)],
  ]
}
