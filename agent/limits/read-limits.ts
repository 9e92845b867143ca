/** A parsed file of config/limits, or the own limits of the settings, becomes limits, or every fault with its key path. */
import { exact, isAbove, whole, type Exact } from './exact.js'
import {
  averagings,
  comparisonMethods,
  evidences,
  forms,
  limitChannels,
  type Averaging,
  type Comparison,
  type DayRule,
  type Evidence,
  type IndexRow,
  type IndexTable,
  type Limit,
  type LimitSet,
} from './kinds.js'
import { PlainReader, under, type PlainMap, type PlainRead } from './plain.js'

const highestLevel = 100_000
const nameShape = /^[a-z0-9][a-z0-9_-]{1,47}$/
const setKeys = ['set', 'title', 'limits', 'index?']
const limitKeys = [
  'id',
  'title',
  'channel',
  'level',
  'unit',
  'averaging',
  'form',
  'form_words',
  'allowed_days_above?',
  'compare',
  'day',
  'year_capture_percent?',
  'document',
  'clause',
  'from?',
  'to?',
  'evidence',
  'note?',
]
const dayKeys = ['hours_needed', 'hour_cut?', 'day_cut?', 'short_day_at_least?']

/** @param value what a YAML reader made of the file: plain maps, lists, texts and numbers */
export function readLimitSet(value: unknown): PlainRead<LimitSet> {
  const read = new PlainReader()
  const file = read.map(value, '', setKeys)
  const name = readName(read, file, 'set', '')
  const limits = read.list(file.limits, 'limits', (item, path) => readLimit(read, item, path, name))
  if (file.limits !== undefined && limits.length === 0) read.fault('limits', 'must hold at least one limit')
  refuseDoubles(read, limits)
  const index = read.list(file.index, 'index', (item, path) => readTable(read, item, path))
  return read.outcome({ name, title: read.text(file, 'title', ''), limits, index })
}

function readName(read: PlainReader, from: PlainMap, key: string, path: string): string {
  const name = read.text(from, key, path)
  if (name !== '' && !nameShape.test(name))
    read.fault(under(path, key), 'must be 2 to 48 of a-z, 0-9, - and _')
  return name
}

function refuseDoubles(read: PlainReader, limits: readonly Limit[]): void {
  limits.forEach(({ id }, i) => {
    if (limits.findIndex((other) => other.id === id) < i)
      read.fault(`limits[${i}].id`, 'stands here a second time')
  })
}

function readLimit(read: PlainReader, value: unknown, path: string, set: string): Limit {
  const from = read.map(value, path, limitKeys)
  read.oneOf(from, 'unit', path, ['ug/m3'])
  const allowed = from.allowed_days_above
  const capture = from.year_capture_percent
  const note = read.optionalText(from, 'note', path)
  return {
    id: readName(read, from, 'id', path),
    set,
    title: read.text(from, 'title', path),
    channel: read.oneOf(from, 'channel', path, limitChannels),
    level: readLevel(read, from, path),
    averaging: read.oneOf(from, 'averaging', path, averagings),
    form: read.oneOf(from, 'form', path, forms),
    formWords: read.text(from, 'form_words', path),
    ...(allowed === undefined
      ? {}
      : { allowedDaysAbove: read.wholeNumber(from, 'allowed_days_above', path, 0, 366) }),
    comparison: readComparison(read, from.compare, under(path, 'compare')),
    day: readDayRule(read, from.day, under(path, 'day')),
    ...(capture === undefined
      ? {}
      : { yearCapturePercent: read.number(from, 'year_capture_percent', path, 1, 100) }),
    document: read.text(from, 'document', path),
    clause: read.text(from, 'clause', path),
    ...readInForce(read, from, path),
    evidence: readEvidence(read, from.evidence, under(path, 'evidence')),
    ...(note === undefined ? {} : { note }),
  }
}

/** A level of zero would make every day an exceedance: surely a slip. */
function readLevel(read: PlainReader, from: PlainMap, path: string): number {
  const level = read.number(from, 'level', path, 0, highestLevel)
  if (from.level === 0) read.fault(under(path, 'level'), 'must be above zero')
  return level
}

function readStep(read: PlainReader, from: PlainMap, key: string, path: string): Exact | undefined {
  if (from[key] === undefined) return undefined
  const step = exact(read.number(from, key, path, 0, highestLevel))
  if (isAbove(step, whole(0))) return step
  return read.fault(under(path, key), 'must be above zero')
}

function readComparison(read: PlainReader, value: unknown, path: string): Comparison {
  const from = value === undefined ? {} : read.map(value, path, ['method', 'step?'])
  const method = read.oneOf(from, 'method', path, comparisonMethods)
  const step = readStep(read, from, 'step', path)
  if (method !== 'as-computed' && from.step === undefined) read.fault(under(path, 'step'), 'is missing')
  if (method === 'as-computed' && step) read.fault(under(path, 'step'), 'belongs to cut and round')
  return { method, step: step ?? whole(1) }
}

function readDayRule(read: PlainReader, value: unknown, path: string): DayRule {
  const from = value === undefined ? {} : read.map(value, path, dayKeys)
  const hourCut = readStep(read, from, 'hour_cut', path)
  const dayCut = readStep(read, from, 'day_cut', path)
  const shortDayAtLeast = readStep(read, from, 'short_day_at_least', path)
  return {
    hoursNeeded: read.wholeNumber(from, 'hours_needed', path, 1, 24),
    ...(hourCut ? { hourCut } : {}),
    ...(dayCut ? { dayCut } : {}),
    ...(shortDayAtLeast ? { shortDayAtLeast } : {}),
  }
}

function readInForce(read: PlainReader, from: PlainMap, path: string): { from?: string; to?: string } {
  const first = read.day(from, 'from', path)
  const last = read.day(from, 'to', path)
  if (first && last && last < first) read.fault(under(path, 'to'), 'is before from')
  return { ...(first ? { from: first } : {}), ...(last ? { to: last } : {}) }
}

function readEvidence(read: PlainReader, value: unknown, path: string): Limit['evidence'] {
  const from = value === undefined ? {} : read.map(value, path, ['level', 'comparison', 'dates'])
  const of = (key: string): Evidence => read.oneOf(from, key, path, evidences)
  return { level: of('level'), comparison: of('comparison'), dates: of('dates') }
}

const tableKeys = ['channel', 'step', 'rows', 'document', 'clause', 'from?', 'to?', 'evidence']

function readTable(read: PlainReader, value: unknown, path: string): IndexTable {
  const from = read.map(value, path, tableKeys)
  const rows = read.list(from.rows, under(path, 'rows'), (item, rowPath) => readRow(read, item, rowPath))
  checkRows(read, rows, under(path, 'rows'))
  return {
    channel: read.oneOf(from, 'channel', path, limitChannels),
    step: readStep(read, from, 'step', path) ?? whole(1),
    rows,
    document: read.text(from, 'document', path),
    clause: read.text(from, 'clause', path),
    ...readInForce(read, from, path),
    evidence: read.oneOf(from, 'evidence', path, evidences),
  }
}

function readRow(read: PlainReader, value: unknown, path: string): IndexRow {
  const from = read.map(value, path, ['category', 'low', 'high', 'index_low', 'index_high'])
  const row = {
    category: read.text(from, 'category', path),
    low: read.number(from, 'low', path, 0, highestLevel),
    high: read.number(from, 'high', path, 0, highestLevel),
    indexLow: read.wholeNumber(from, 'index_low', path, 0, 10_000),
    indexHigh: read.wholeNumber(from, 'index_high', path, 0, 10_000),
  }
  if (from.high !== undefined && (row.high <= row.low || row.indexHigh <= row.indexLow))
    read.fault(path, 'must rise from low to high')
  return row
}

function checkRows(read: PlainReader, rows: readonly IndexRow[], path: string): void {
  if (rows.length === 0) read.fault(path, 'must hold at least one row')
  rows.slice(1).forEach((row, i) => {
    if (row.low <= rows[i].high || row.indexLow <= rows[i].indexHigh)
      read.fault(`${path}[${i + 1}]`, 'must begin above the row before it')
  })
}

const ownKeys = ['name', 'channel', 'level', 'averaging', 'document?', 'note?']
const mostOwn = 16

/**
 * Action levels of the owner's own, as settings give them: compared as computed, a day valid with 18 of 24 hours.
 * @param value a list of maps: name, channel, level (µg/m³), averaging, where it comes from
 */
export function readOwnLimits(value: unknown): PlainRead<readonly Limit[]> {
  const read = new PlainReader()
  const limits = read.list(value, 'limits.own', (item, path) => readOwn(read, item, path))
  if (limits.length > mostOwn) read.fault('limits.own', `must be at most ${mostOwn}`)
  limits.forEach(({ id }, i) => {
    if (limits.findIndex((other) => other.id === id) < i)
      read.fault(`limits.own[${i}].name`, 'stands here a second time')
  })
  return read.outcome(limits)
}

const ownForm: Readonly<Record<Averaging, { form: Limit['form']; formWords: string }>> = {
  '24-hour': { form: 'not-exceeded', formWords: 'daily mean, not to be exceeded' },
  annual: { form: 'annual-mean', formWords: 'annual mean' },
}

function readOwn(read: PlainReader, value: unknown, path: string): Limit {
  const from = read.map(value, path, ownKeys)
  const name = readName(read, from, 'name', path)
  const averaging = read.oneOf(from, 'averaging', path, averagings)
  const note = read.optionalText(from, 'note', path)
  return {
    id: name,
    set: 'own',
    title: `own level ${name}`,
    channel: read.oneOf(from, 'channel', path, limitChannels),
    level: readLevel(read, from, path),
    averaging,
    ...ownForm[averaging],
    comparison: { method: 'as-computed', step: whole(1) },
    day: { hoursNeeded: 18 },
    document: read.optionalText(from, 'document', path) ?? 'the settings of this station',
    clause: 'limits.own',
    evidence: { level: 'own', comparison: 'own', dates: 'own' },
    ...(note === undefined ? {} : { note }),
  }
}
