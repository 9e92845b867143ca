/** Suspect rules on ../shared/data: sound stations and injected faults. Levels were
 * chosen after looking at all four years, so neither half is an independent check of them. */
import { describe, expect, it } from 'vitest'
import { suspicionsOf, type SuspectCode } from '../../agent/analysis/analysis.js'
import { utcMillis } from '../../agent/terms/terms.js'
import { sharedJson, sharedText } from '../support/shared-reference.js'

const isHere = sharedJson('reference/hourly-sites-expected.json') !== undefined
const sites = ['Dongsi', 'Dingling', 'Shunyi']
const hoursOf = (site: string): Float64Array =>
  Float64Array.from(sharedText(`data/${site}.csv.gz`).trim().split('\n').slice(1), (row) => {
    const cell = row.split(',')[5]
    return cell === 'NA' ? NaN : Number(cell)
  })
const data = isHere ? sites.map((name) => ({ name, hours: hoursOf(name) })) : []

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
const seenOn = (day: number, series: readonly Float64Array[], who: number, alone: boolean) => {
  const cut = (hours: Float64Array) => hours.subarray(Math.max(0, (day - windowDays) * 24), day * 24)
  const named = sites.map((name, i) => ({ name, hours: cut(series[i]) }))
  const others = alone ? [] : named.filter((_, i) => i !== who)
  return suspicionsOf(utcMillis(Date.UTC(2013, 2, 1)), named[who], others)
}

function injected(who: number, fromDay: number, change: Fault): Float64Array[] {
  const draw = normals()
  const held = data[who].hours.subarray(0, fromDay * 24).findLast((value) => !Number.isNaN(value))!
  return data.map(({ hours }, i) =>
    i !== who
      ? hours
      : hours.map((v, h) => (h < fromDay * 24 ? v : change(v, h - fromDay * 24, draw(), held))),
  )
}

/** One day in so many is looked at for false alarms: the windows overlap by far more. */
const lookEvery = 10
const longestDays = 80
/** Days until the first right word; undefined where there is none within 80 days; looked at every second day. */
function delayOf(who: number, fromDay: number, fault: string, alone: boolean): number | undefined {
  const series = injected(who, fromDay, faults[fault].change)
  for (let day = fromDay + 2; day <= fromDay + longestDays; day += 2)
    if (seenOn(day, series, who, alone).some(({ code }) => faults[fault].codes.includes(code)))
      return day - fromDay
  return undefined
}

const starts = { early: [240, 450], late: [780, 960, 1170] }

describe.skipIf(!isHere)('suspect rules on four years of three sites', () => {
  console.info(`seed of the noise: ${seed}`)
  const falseDays = (from: number, to: number, alone: boolean): Record<string, number> => {
    const counts: Record<string, number> = { any: 0, looks: 0 }
    for (let day = from; day < to; day += lookEvery)
      for (let who = 0; who < 3; who++) {
        const seen = seenOn(
          day,
          data.map(({ hours }) => hours),
          who,
          alone,
        )
        counts.looks++
        if (seen.length > 0) counts.any++
        for (const { code } of seen) counts[code] = (counts[code] ?? 0) + 1
      }
    return counts
  }
  const report = (alone: boolean, names = Object.keys(faults)) => {
    const rows = names.flatMap((fault) =>
      (['early', 'late'] as const).map((years) => {
        const delays = starts[years].flatMap((from) =>
          [0, 1, 2].map((who) => delayOf(who, from, fault, alone)),
        )
        const found = delays.filter((delay) => delay !== undefined).sort((a, b) => a - b)
        const middle = found[Math.floor(found.length / 2)]
        return { fault, years, tried: delays.length, found: found.length, middle, longest: found.at(-1) }
      }),
    )
    console.table(rows)
    return rows
  }

  it('seldom suspect a sound station', () => {
    const [early, late] = [falseDays(0, 730, false), falseDays(730, 1461, false)]
    console.info(
      'looks (one in ten days) at sound stations beside neighbours, first and last two years:',
      early,
      late,
    )
    expect(early.any / early.looks).toBeLessThan(0.02)
    expect(late.any / late.looks).toBeLessThan(0.03)
    const alone = [falseDays(0, 730, true), falseDays(730, 1461, true)]
    console.info('the same alone:', ...alone)
    expect(alone[1].any / alone[1].looks).toBeLessThan(0.02)
  }, 180_000)

  it('find what was injected beside neighbours', () => {
    const late = report(false).filter(({ years }) => years === 'late')
    const of = (fault: string) => late.find((row) => row.fault === fault)!
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
    const late = report(true, ['flat', 'half gain']).filter(({ years }) => years === 'late')
    const flat = late.find(({ fault }) => fault === 'flat')!
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
})
