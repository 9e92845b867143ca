import { join } from 'node:path'
import { refuse, wrongUse, type Opened } from './desk.js'
import { importActivities } from './import-activities.js'
import { nameFor, writeInto } from './import-write.js'
import { eachTextLine } from './import-lines.js'
import { importPlan, type ImportOptions, type ImportPlan } from './import-plan.js'
import { ImportRows, type ImportedRows } from './import-rows.js'
import { seriesLines, type ImportedSeries } from './import-series.js'
import { importJson, importText, noHeadingWords } from './import-words.js'
import { Progress } from './progress.js'

export interface Imported {
  readonly from: string
  readonly to: string
  readonly plan: ImportPlan
  readonly rows: ImportRows
  readonly series: ImportedSeries
}

/**
 * Reads a foreign log into a series file of our own. The log stays as it is.
 * @returns exit code: 0 every row was taken, 1 some were refused or the file could not be read, 2 wrong use
 */
export async function importLog(file: string, options: ImportOptions): Promise<number> {
  if (options.events) return importActivities(file, options)
  if (options.endTime !== undefined) return refuse(wrongUse('--end-time belongs to --events'))
  const imported = await importInto(file, options)
  if (!imported.ok) return refuse(imported)
  const { value } = imported
  process.stdout.write((options.json ? importJson(value) : importText(value).join('\n')) + '\n')
  return hasTrouble(value.rows) ? 1 : 0
}

/** What a log is expected to hold besides rows is no trouble. */
const ordinary: readonly string[] = [
  'blank',
  'comment',
  'other-row',
  'before-header',
  'header-again',
  'units',
  'no-value',
  'double',
]

const hasTrouble = ({ refused, columns }: ImportRows): boolean =>
  [...refused.keys()].some((reason) => !ordinary.includes(reason)) ||
  [...columns.values()].some((column) => column['not-a-number'] + column['less-than'] + column.impossible > 0)

async function importInto(file: string, options: ImportOptions): Promise<Opened<Imported>> {
  const plan = importPlan(options)
  if (!plan.ok) return plan
  const rows = new ImportRows(plan.value)
  const progress = new Progress('reading rows')
  const read = await eachTextLine(file, {
    line: (text) => rows.take(text),
    tooLong: () => rows.refuse('too-long', ++rows.lines),
    isLost: () => rows.isLost,
    progress: (share) => progress.show(share),
  })
  if (!read.ok) return read
  if (!rows.header) return wrongUse(noHeadingWords(file, rows, plan.value))
  const found = rows.finish()
  if (found.starts.length === 0)
    return { ok: false, code: 1, words: importText({ from: file, plan: plan.value, rows }).join('\n') }
  const series = seriesOf(found, rows.usualGapSeconds(), file, options, plan.value)
  if (!series.ok) return series
  const to = join(options.into, `${series.value.name}.series.csv`)
  const written = await writeInto(options.into, to, seriesLines(series.value), options.force ?? false)
  if (!written.ok) return written
  return { ok: true, value: { from: file, to, plan: plan.value, rows, series: series.value } }
}

const hourSeconds = 3600

function seriesOf(
  found: ImportedRows,
  usualGapSeconds: number | undefined,
  file: string,
  options: ImportOptions,
  plan: ImportPlan,
): Opened<ImportedSeries> {
  const named = nameFor(file, options)
  if (!named.ok) return named
  const name = named.value
  const stepSeconds = plan.stepSeconds ?? usualGapSeconds
  if (stepSeconds === undefined)
    return wrongUse('a single row does not tell how long it stands for: say --step')
  if (stepSeconds > 86_400)
    return wrongUse(`rows stand ${stepSeconds} s apart; a day is the longest that can be used`)
  if (stepSeconds >= hourSeconds && plan.label === undefined)
    return wrongUse(
      'are these hours named by their start or by their end? Say --label start or --label end; a slip of one hour spoils every comparison',
    )
  const shift = plan.label === 'end' ? stepSeconds * 1000 : 0
  const starts = found.starts.map((start) => start - shift)
  return {
    ok: true,
    value: { ...found, starts, name, stepSeconds, offsetMinutes: plan.zone?.offsetMinutes ?? 0 },
  }
}
