/**
 * Suspect rules on ../shared/data, four years of three sites: levels of gain, floor and noise are chosen on the first two years
 * by a rule that sees sound stations only; faults and false alarms are judged on the last two. That rule was made when figures of
 * both halves had been seen, and looks and levels of flatness were set with all four years in view: so the last two are not
 * unseen. PM10 of the same hours was: the last test is the one look at it, with everything as it stood, and nothing was changed
 * after.
 */
import { describe, expect, it } from 'vitest'
import {
  suspectLevels,
  suspicionsOf,
  type SuspectCode,
  type SuspectLevels,
} from '../../agent/analysis/analysis.js'
import { utcMillis } from '../../agent/terms/terms.js'
import { sharedJson, sharedText } from '../support/shared-reference.js'

const isHere = sharedJson('reference/hourly-sites-expected.json') !== undefined
const sites = ['Dongsi', 'Dingling', 'Shunyi']
const columnOf = (site: string, column: number): Float64Array =>
  Float64Array.from(sharedText(`data/${site}.csv.gz`).trim().split('\n').slice(1), (row) => {
    const cell = row.split(',')[column]
    return cell === 'NA' ? NaN : Number(cell)
  })
const dataOf = (column: number): Float64Array[] => (isHere ? sites.map((name) => columnOf(name, column)) : [])
const sound = dataOf(5)

type Fault = (value: number, hoursSince: number, noise: number, held: number) => number
const faults: Readonly<Record<string, { change: Fault; codes: SuspectCode[] }>> = {
  flat: { change: (_v, _h, noise, held) => held + noise, codes: ['flat'] },
  'half gain': { change: (v) => v / 2, codes: ['gain-step', 'gain-loss'] },
  'slow clogging': {
    change: (v, h) => v * (1 - 0.5 * Math.min(1, h / 1344)),
    codes: ['gain-loss', 'gain-step'],
  },
  'offset +10': { change: (v) => v + 10, codes: ['floor-drift'] },
  'noise 20': { change: (v, _h, noise) => Math.max(0, v + 20 * noise), codes: ['noise'] },
}

const seed = 20261125
/** mulberry32 (public domain), two draws by Box and Muller: the same in every run. */
function normals(): () => number {
  let state = seed
  const even = (): number => {
    state = (state + 0x6d2b79f5) | 0
    let t = Math.imul(state ^ (state >>> 15), 1 | state)
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296
  }
  return () => Math.sqrt(-2 * Math.log(1 - even())) * Math.cos(2 * Math.PI * even())
}

const windowDays = 140
const seenOn = (
  day: number,
  series: readonly Float64Array[],
  who: number,
  alone: boolean,
  levels: SuspectLevels = suspectLevels,
) => {
  const cut = (hours: Float64Array) => hours.subarray(Math.max(0, (day - windowDays) * 24), day * 24)
  const named = sites.map((name, i) => ({ name, hours: cut(series[i]) }))
  const others = alone ? [] : named.filter((_, i) => i !== who)
  return suspicionsOf(utcMillis(Date.UTC(2013, 2, 1)), named[who], others, levels)
}

function injected(who: number, fromDay: number, change: Fault, data = sound): Float64Array[] {
  const draw = normals()
  const held = data[who].subarray(0, fromDay * 24).findLast((value) => !Number.isNaN(value))!
  return data.map((hours, i) =>
    i !== who
      ? hours
      : hours.map((v, h) => (h < fromDay * 24 ? v : change(v, h - fromDay * 24, draw(), held))),
  )
}

/** To choose, one day in so many is enough: the windows overlap by far more. */
const lookEvery = 10
const longestDays = 80
/** Days until the first right word; undefined where there is none within 80 days; looked at every second day. */
function delayOf(
  who: number,
  fromDay: number,
  fault: string,
  alone: boolean,
  data = sound,
): number | undefined {
  const series = injected(who, fromDay, faults[fault].change, data)
  for (let day = fromDay + 2; day <= fromDay + longestDays; day += 2)
    if (seenOn(day, series, who, alone).some(({ code }) => faults[fault].codes.includes(code)))
      return day - fromDay
  return undefined
}

const chosenOn = { from: 0, to: 730 }
const judgedOn = { from: 730, to: 1461 }
const stationYears = ({ from, to }: typeof chosenOn): number => (3 * (to - from)) / 365.25
const starts = [780, 870, 960, 1050, 1170]

const lookDays = ({ from, to }: typeof chosenOn, every: number): number[] =>
  Array.from({ length: Math.ceil((to - from) / every) }, (_, i) => from + i * every)

/** Figures of sound stations in the years of choosing, largest first; each rule as if the others were not. */
function figuresOf(code: SuspectCode, loose: Partial<SuspectLevels>): number[] {
  const levels = { ...suspectLevels, ...{ flatShare: 0, stepLog: 99, lossLog: 99 }, ...loose }
  const size = (figure: number): number => Math.abs(code === 'floor-drift' ? figure : Math.log(figure))
  return lookDays(chosenOn, lookEvery)
    .flatMap((day) => [0, 1, 2].flatMap((who) => seenOn(day, sound, who, false, levels)))
    .flatMap((one) => (one.code === code ? [size(one.figure)] : []))
    .sort((a, b) => b - a)
}

/** Gain and noise: a tenth above the largest at a sound station. Floors end in haze now and then: one look in a hundred passes. */
const chosen = () => ({
  stepLog: 1.1 * figuresOf('gain-step', { stepLog: 0 })[0],
  lossLog: 1.1 * figuresOf('gain-loss', { lossLog: 0 })[0],
  noiseLog: 1.1 * figuresOf('noise', { noiseLog: 0 })[0],
  floorMicrograms: figuresOf('floor-drift', { floorMicrograms: 0 })[
    Math.floor(0.01 * 3 * lookDays(chosenOn, lookEvery).length)
  ],
})

/** As a collector looks, each day; days one after the other that say the same of a station are one alarm. */
function falseAlarms(alone: boolean, span = judgedOn, data = sound): Record<string, number> {
  const alarms: Record<string, number> = {}
  for (const who of [0, 1, 2]) {
    let before: readonly SuspectCode[] = []
    for (const day of lookDays(span, 1)) {
      const codes = seenOn(day, data, who, alone).map(({ code }) => code)
      for (const code of codes) if (!before.includes(code)) alarms[code] = (alarms[code] ?? 0) + 1
      before = codes
    }
  }
  return alarms
}

const perYear = (alarms: Record<string, number>, span = judgedOn): number =>
  Object.values(alarms).reduce((sum, count) => sum + count, 0) / stationYears(span)

function report(alone: boolean, names = Object.keys(faults), from = starts, data = sound) {
  const rows = names.map((fault) => {
    const delays = from.flatMap((day) => [0, 1, 2].map((who) => delayOf(who, day, fault, alone, data)))
    const found = delays.filter((delay) => delay !== undefined).sort((a, b) => a - b)
    const middle = found[Math.floor(found.length / 2)]
    return { fault, tried: delays.length, found: found.length, middle, longest: found.at(-1) }
  })
  console.table(rows)
  return rows
}

describe.skipIf(!isHere)('suspect rules on four years of three sites', () => {
  console.info(`seed of the noise: ${seed}`)

  it('have the levels that the first two years give', () => {
    const levels = chosen()
    console.info('chosen on the first two years, sound stations only:', levels)
    for (const [key, level] of Object.entries(levels) as [keyof SuspectLevels, number][])
      expect(Math.abs(suspectLevels[key] / level - 1), key).toBeLessThan(0.03)
  }, 180_000)

  it('seldom suspect a sound station in the last two years', () => {
    const [beside, alone] = [falseAlarms(false), falseAlarms(true)]
    const told = { stationYears: stationYears(judgedOn).toFixed(1), beside, alone }
    console.info(
      `false alarms in the last two years, a look a day: ${perYear(beside).toFixed(2)} a station-year`,
      told,
    )
    // It came to 2.3 and 0 when the levels were chosen; this notices what gets worse.
    expect(perYear(beside)).toBeLessThan(3)
    expect(perYear(alone)).toBeLessThan(1)
  }, 180_000)

  it('find what was injected in the last two years, beside neighbours', () => {
    const rows = report(false)
    const of = (fault: string) => rows.find((row) => row.fault === fault)!
    for (const [fault, share] of [
      ['flat', 0.9],
      ['half gain', 0.9],
      ['slow clogging', 0.8],
      ['offset +10', 0.5],
      ['noise 20', 0.8],
    ] as const)
      expect(of(fault).found / of(fault).tried, fault).toBeGreaterThanOrEqual(share)
    expect(of('half gain').middle).toBeLessThanOrEqual(14)
    expect(of('slow clogging').middle).toBeLessThanOrEqual(70)
  }, 180_000)

  it('alone find what stands still; half gain is printed, for nothing can be promised of it', () => {
    const flat = report(true, ['flat', 'half gain']).find(({ fault }) => fault === 'flat')!
    expect(flat.found / flat.tried).toBeGreaterThanOrEqual(0.9)
  }, 180_000)

  it('do not accuse the others when one neighbour loses half its gain', () => {
    const series = injected(0, 960, faults['half gain'].change)
    let accused = 0
    for (let day = 961; day < 1020; day += 4)
      for (const who of [1, 2])
        if (seenOn(day, series, who, false).some(({ code }) => code.startsWith('gain'))) accused++
    expect(accused).toBe(0)
  })

  it('on PM10 of the same hours, which nobody had looked at, with everything as it stood: printed', () => {
    const data = dataOf(6)
    const span = { from: 0, to: 1461 }
    const beside = falseAlarms(false, span, data)
    console.info(
      `PM10: ${perYear(beside, span).toFixed(2)} false alarms a station-year in four years`,
      beside,
    )
    const rows = report(false, Object.keys(faults), [200, 330, 460, 590, ...starts], data)
    // It came to 4.5, and to 22 of 27 of the offset and all others: this notices what gets worse.
    expect(perYear(beside, span)).toBeLessThan(5.5)
    for (const { fault, tried, found } of rows) expect(found / tried, fault).toBeGreaterThanOrEqual(0.75)
  }, 600_000)
})
