/** The file of a correction: plain values with keys, read back with every fault at its path. */
import {
  appliedRuns,
  scalingNames,
  type Correction,
  type CorrectionForm,
  type CorrectionRun,
  type FormInterval,
  type Range95,
} from './correction-kinds.js'
import { middleOf } from './corrections.js'
import { limitChannels } from './kinds.js'
import { PlainReader, under, type PlainMap, type PlainRead } from './plain.js'

/** Above this no growth correction means anything: it divides by 5 and more, and steeply. */
export const mostGrowthHumidity = 95
const mostRuns = 20
const formNumbers = ['intercept?', 'slope?', 'per_humidity?', 'kappa?', 'dry_density?']
const intervalKeys = [
  'intercept_95?',
  'slope_95?',
  'per_humidity_95?',
  'kappa_95?',
  'levels?',
  'levels_humidity_percent?',
]
const correctionKeys = [
  'name',
  'channel',
  'serial',
  'scaling?',
  'kind',
  ...formNumbers,
  'lowest',
  'highest',
  'most_humidity_percent',
  'made',
  'source',
  'run_from?',
  'run_to?',
  ...intervalKeys,
  'apply?',
  'earlier?',
]
const runKeys = ['kind', ...formNumbers, 'run_from', 'run_to', ...intervalKeys]
const formKeys: Readonly<Record<CorrectionForm['kind'], readonly string[]>> = {
  linear: ['intercept', 'slope'],
  'linear-humidity': ['intercept', 'slope', 'per_humidity'],
  growth: ['kappa', 'dry_density', 'intercept?', 'slope?'],
}
const formKinds = Object.keys(formKeys) as CorrectionForm['kind'][]
const farthest = { intercept: 1000, factor: 100 }

/** @param value what a YAML reader made of a correction file, as `correctionPlain` gives it */
export function readCorrection(value: unknown): PlainRead<Correction> {
  const read = new PlainReader()
  const from = read.map(value, '', correctionKeys)
  const form = readForm(read, from, '')
  const most = read.number(from, 'most_humidity_percent', '', 1, 100)
  if (form.kind === 'growth' && most > mostGrowthHumidity)
    read.fault('most_humidity_percent', `must be at most ${mostGrowthHumidity} for growth by humidity`)
  const lowest = read.number(from, 'lowest', '', -100, 10_000)
  const highest = read.number(from, 'highest', '', -100, 10_000)
  if (from.highest !== undefined && highest <= lowest) read.fault('highest', 'must be above lowest')
  const hasRun = from.run_from !== undefined || from.run_to !== undefined
  const run = hasRun ? readRun(read, from, '') : undefined
  return read.outcome({
    name: read.text(from, 'name', ''),
    channel: read.oneOf(from, 'channel', '', limitChannels),
    serial: read.text(from, 'serial', ''),
    ...(from.scaling === undefined ? {} : { scaling: read.oneOf(from, 'scaling', '', scalingNames) }),
    form,
    lowest,
    highest,
    mostHumidityPercent: most,
    made: read.day(from, 'made', '') ?? '',
    source: read.text(from, 'source', ''),
    ...(run ? { run } : {}),
    ...readEarlier(read, from, run),
  })
}

function readForm(read: PlainReader, from: PlainMap, path: string): CorrectionForm {
  const kind = read.oneOf(from, 'kind', path, formKinds)
  const own = formKeys[kind]
  for (const key of formNumbers.map((one) => one.replace('?', ''))) {
    const isGiven = from[key] !== undefined
    if (own.includes(key) && !isGiven) read.fault(under(path, key), `is missing: ${kind} needs it`)
    if (!own.includes(key) && !own.includes(`${key}?`) && isGiven)
      read.fault(under(path, key), `does not belong to ${kind}`)
  }
  const number = (key: string, most: number) => read.number(from, key, path, -most, most)
  const line = { intercept: number('intercept', farthest.intercept), slope: number('slope', farthest.factor) }
  if (kind === 'linear') return { kind, ...line }
  if (kind === 'linear-humidity')
    return { kind, ...line, perHumidity: number('per_humidity', farthest.factor) }
  return {
    kind,
    kappa: read.number(from, 'kappa', path, 0, 2),
    dryDensity: read.number(from, 'dry_density', path, 0.5, 5),
    ...(from.intercept === undefined ? {} : { intercept: line.intercept }),
    ...(from.slope === undefined ? {} : { slope: line.slope }),
  }
}

function readRun(read: PlainReader, from: PlainMap, path: string): Omit<CorrectionRun, 'form'> {
  const [first, last] = [read.day(from, 'run_from', path) ?? '', read.day(from, 'run_to', path) ?? '']
  for (const [key, day] of [
    ['run_from', first],
    ['run_to', last],
  ])
    if (day === '' && from[key] === undefined) read.fault(under(path, key), 'is missing')
  if (first !== '' && last !== '' && last < first) read.fault(under(path, 'run_to'), 'is before run_from')
  const interval = readInterval(read, from, path)
  return { from: first, to: last, ...(interval ? { interval } : {}) }
}

function readInterval(read: PlainReader, from: PlainMap, path: string): FormInterval | undefined {
  if (!intervalKeys.some((key) => from[key.replace('?', '')] !== undefined)) return undefined
  const range = (key: string) =>
    from[key] === undefined ? undefined : readRange(read, from[key], under(path, key))
  const found = {
    intercept: range('intercept_95'),
    slope: range('slope_95'),
    perHumidity: range('per_humidity_95'),
    kappa: range('kappa_95'),
    levelsHumidityPercent:
      from.levels_humidity_percent === undefined
        ? undefined
        : read.number(from, 'levels_humidity_percent', path, 0, 100),
  }
  const given = Object.entries(found).filter(([, value]) => value !== undefined)
  const levels = read.list(from.levels, under(path, 'levels'), (value, at) => {
    const level = read.map(value, at, ['raw', 'corrected_95'])
    return {
      raw: read.number(level, 'raw', at, -100, 10_000),
      interval: readRange(read, level.corrected_95, under(at, 'corrected_95')),
    }
  })
  return { ...Object.fromEntries(given), levels }
}

function readRange(read: PlainReader, value: unknown, path: string): Range95 {
  if (Array.isArray(value) && value.length === 2) {
    const [low, high] = value as unknown[]
    if (typeof low === 'number' && typeof high === 'number' && low <= high) return [low, high]
  }
  read.fault(path, 'must be two numbers, the lower first')
  return [0, 0]
}

function readEarlier(
  read: PlainReader,
  from: PlainMap,
  newest: Omit<CorrectionRun, 'form'> | undefined,
): Pick<Correction, 'earlier'> {
  if (from.earlier === undefined && from.apply === undefined) return {}
  for (const key of ['earlier', 'apply', 'run_from'])
    if (from[key] === undefined)
      read.fault(key, 'is missing: where runs are put together all three are needed')
  const runs = read.list(from.earlier, 'earlier', (value, path) => {
    const run = read.map(value, path, runKeys)
    return { form: readForm(read, run, path), ...readRun(read, run, path) }
  })
  if (runs.length === 0 || runs.length > mostRuns) read.fault('earlier', `must hold 1 to ${mostRuns} runs`)
  const middles = [...runs, ...(newest ? [newest] : [])].map(middleOf)
  if (middles.some((at, i) => i > 0 && !(at > middles[i - 1])))
    read.fault('earlier', 'must be in order of time, all before the newest run')
  return { earlier: { apply: read.oneOf(from, 'apply', '', appliedRuns), runs } }
}

/** The correction as plain values with the keys of its file; `readCorrection` reads it back. */
export function correctionPlain(correction: Correction): PlainMap {
  const { form, run, earlier } = correction
  return {
    name: correction.name,
    channel: correction.channel,
    serial: correction.serial,
    ...(correction.scaling ? { scaling: correction.scaling } : {}),
    ...formPlain(form),
    lowest: correction.lowest,
    highest: correction.highest,
    most_humidity_percent: correction.mostHumidityPercent,
    made: correction.made,
    source: correction.source,
    ...(run ? runPlain(run) : {}),
    ...(earlier
      ? {
          apply: earlier.apply,
          earlier: earlier.runs.map((one) => ({ ...formPlain(one.form), ...runPlain(one) })),
        }
      : {}),
  }
}

function formPlain(form: CorrectionForm): PlainMap {
  const { kind, intercept, slope } = form
  return {
    kind,
    ...(intercept === undefined ? {} : { intercept }),
    ...(slope === undefined ? {} : { slope }),
    ...(form.kind === 'linear-humidity' ? { per_humidity: form.perHumidity } : {}),
    ...(form.kind === 'growth' ? { kappa: form.kappa, dry_density: form.dryDensity } : {}),
  }
}

function runPlain({ from, to, interval }: Omit<CorrectionRun, 'form'>): PlainMap {
  const { intercept, slope, perHumidity, kappa, levels = [], levelsHumidityPercent } = interval ?? {}
  const told = {
    run_from: from,
    run_to: to,
    intercept_95: intercept,
    slope_95: slope,
    per_humidity_95: perHumidity,
    kappa_95: kappa,
    levels:
      levels.length > 0 ? levels.map((one) => ({ raw: one.raw, corrected_95: one.interval })) : undefined,
    levels_humidity_percent: levelsHumidityPercent,
  }
  return Object.fromEntries(Object.entries(told).filter(([, value]) => value !== undefined))
}
