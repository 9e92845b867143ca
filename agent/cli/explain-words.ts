/** What `explain` says, for people and as JSON. */
import { importedSeries } from './averages-series.js'
import { lineWidth, sentenceTable } from './averages-table.js'
import { timesLine } from './desk-zone.js'
import type { Asked, Explained } from './explain.js'
import { folded } from './plain-text.js'

const measure = (unit: string): string => unit.replace('ug/m3', 'µg/m³')

export function explainText({ found }: Asked, all: readonly Explained[]): string[] {
  const what = found.storeId === importedSeries ? importedSeries : `store ${found.storeId}`
  const lines = [`${found.station}, ${what}`, timesLine(found.zone)]
  for (const one of all) lines.push('', ...oneText(one))
  return lines
}

function oneText({ what, one, figure, heads, rows, left, steps, next }: Explained): string[] {
  const { column, unit, deployment } = one.series
  const kind = [column.channel, column.scaling, column.basis].filter(Boolean).join(', ')
  const place = deployment ? `; ${deployment.place}` : ''
  return [
    folded(`${kind}; unit ${unit?.serial ?? 'not recorded'}${place}`, lineWidth(), 2),
    `${what}: ${figure}${/^[\d.-]+$/.test(figure) && figure !== '-' ? ` ${measure(column.unit)}` : ''}`,
    '',
    ...tableLines(heads, rows, left),
    '',
    ...steps.flatMap((step) => stepLines(step)),
    ...nextLines(next),
  ]
}

/** A sentence may stand in the last column; numbers there are pushed to the right. */
export function tableLines(heads: readonly string[], rows: Explained['rows'], left: number): string[] {
  const last = heads.length - 1
  const isSentence = rows.some((row) => /[a-z]{4}/.test(row[last]))
  if (isSentence) return sentenceTable([heads, ...rows], left)
  return sentenceTable([[...heads, ''], ...rows.map((row) => [...row, ''])], left)
}

export function stepLines(step: string): string[] {
  const inner = step.startsWith('  ')
  const lines = folded(step.trimStart(), lineWidth() - (inner ? 4 : 2), inner ? 2 : 0).split('\n')
  return lines.map((line, i) => (inner ? '    ' : i === 0 ? '- ' : '  ') + line)
}

export function nextLines(next: readonly string[]): string[] {
  return next.length === 0 ? [] : ['', 'Each row again:', ...next]
}

export function explainJson({ found, kind }: Asked, all: readonly Explained[]): string {
  return JSON.stringify(
    {
      v: 1,
      station: found.station,
      store: found.storeId,
      zone: { standard_offset_min: found.zone.offsetMinutes, source: found.zone.source },
      kind,
      figures: all.map(({ what, one, figure, facts, heads, rows, steps, next }) => ({
        what,
        channel: one.series.column.channel,
        unit: one.series.column.unit,
        serial: one.series.unit?.serial ?? null,
        place: one.series.deployment?.place ?? null,
        figure,
        facts,
        columns: heads,
        rows,
        steps: steps.map((step) => step.trim()),
        next,
      })),
    },
    undefined,
    2,
  )
}
