/** Corrections with humidity, runs one after another, files that are taken and refused, and what is drawn. */
import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { collocate, type CollocateOptions } from '../../agent/cli/collocate.js'
import { loadCorrection } from '../../agent/cli/limits-files.js'
import { seriesLines } from '../../agent/cli/import-series.js'
import { applyCorrection, growthMassFactor, type Correction } from '../../agent/limits/limits.js'
import { chance, hourMillis, madeAir, madeSeries, normal } from './compare-rig.js'
import { newFolder, ran, removeFolders } from './desk-rig.js'

afterAll(removeFolders)

const run = (options: CollocateOptions) => ran(() => collocate(options))
const spring = Date.UTC(2026, 2, 1)
const autumn = Date.UTC(2026, 8, 1)

/** A unit that knows its humidity. */
function humidSeries(
  name: string,
  from: number,
  masses: readonly number[],
  humidity: readonly number[],
): string {
  const file = join(newFolder(), `${name}.series.csv`)
  const round = (values: readonly number[], digits: number) =>
    Float64Array.from(values, (value) => Number(value.toFixed(digits)))
  const series = {
    ...{ name, stepSeconds: 3600, offsetMinutes: 0, keys: ['pm2_5', 'humidity'] },
    abouts: [{ basis: 'measured' as const }, { basis: 'measured' as const }],
    starts: Float64Array.from(masses, (_, i) => from + i * hourMillis),
    values: [round(masses, 3), round(humidity, 1)],
  }
  writeFileSync(file, [...seriesLines(series)].join(''))
  return file
}

interface Made {
  readonly unit: string
  readonly reference: string
}

const truth = madeAir(24 * 30)
const damp = truth.map((_, hour) => 60 + 25 * Math.cos((hour / 12) * Math.PI) + 8 * (chance() - 0.5))

function madeRun(from: number, gain: number, humidity = damp): Made {
  const masses = truth.map((value, i) => gain * value * growthMassFactor(0.35, humidity[i]) + normal() * 0.5)
  return {
    unit: humidSeries('unit', from, masses, humidity),
    reference: madeSeries('reference', truth, { from }),
  }
}

async function written(
  made: Made,
  more: Partial<CollocateOptions> = {},
): Promise<{ file: string; correction: Correction }> {
  const file = join(newFolder(), 'correction.yaml')
  const { unit, reference } = made
  const done = await run({ unit: [unit], reference, write: file, serial: ['00417'], ...more })
  if (done.err !== '') throw new Error(done.err)
  const read = loadCorrection(file)
  if (!read.ok) throw new Error(read.fault.detail)
  return { file, correction: read.value }
}

describe('a correction with humidity', () => {
  it('finds the kappa and the gain of a made unit, and does better than a plain line on days held out', async () => {
    const made = madeRun(spring, 1.25)
    const { out } = await run({ unit: [made.unit], reference: made.reference, form: 'growth', json: true })
    const { units } = JSON.parse(out) as {
      units: {
        correction: {
          form: { kappa: number; slope: number }
          kappa_95: [number, number]
          held_out: { corrected: { rmse: number } }
          held_out_plain_line: { corrected: { rmse: number } }
        }
      }[]
    }
    const { form, kappa_95, held_out, held_out_plain_line } = units[0].correction
    expect(Math.abs(form.kappa - 0.35)).toBeLessThan(0.02)
    expect(Math.abs(form.slope - 1 / 1.25)).toBeLessThan(0.02)
    expect(kappa_95[1] - kappa_95[0]).toBeLessThan(0.1)
    expect(held_out.corrected.rmse).toBeLessThan(held_out_plain_line.corrected.rmse / 2)
  })

  it('is taken by the stage of corrections for that unit, and refused for another, and in damper air', async () => {
    const { correction } = await written(madeRun(spring, 1.25), { form: 'growth' })
    const given = { channel: 'pm2_5', serial: '00417', value: 30, humidityPercent: 70, atUtc: spring }
    const done = applyCorrection(correction, given)
    expect(done).toMatchObject({ ok: true, raw: 30 })
    if (done.ok) expect(Math.abs(done.corrected - 30 / 1.25 / growthMassFactor(0.35, 70))).toBeLessThan(0.5)
    const refusal = (more: object) => {
      const refused = applyCorrection(correction, { ...given, ...more })
      return refused.ok ? 'taken' : refused.refused
    }
    expect(refusal({ serial: '00418' })).toBe('other-unit')
    expect(refusal({ scaling: 'standard-particle' })).toBe('other-scaling')
    expect(refusal({ humidityPercent: 94 })).toBe('too-humid')
    expect(refusal({ humidityPercent: undefined })).toBe('no-humidity')
    expect(refusal({ value: 5000 })).toBe('outside-range')
  })

  it('is refused with words where humidity is missing or hardly varies', async () => {
    const reference = madeSeries('reference', truth, { from: spring })
    const dry = madeSeries('dry', truth, { from: spring })
    const told = async (unit: string, more: Partial<CollocateOptions> = {}) =>
      (await run({ unit: [unit], reference, form: 'humidity', ...more })).out.replace(/\s+/g, ' ')
    expect(await told(dry)).toContain('none was recorded in its box')
    const even = humidSeries(
      'even',
      spring,
      truth,
      truth.map((_, i) => 50 + (i % 10)),
    )
    expect(await told(even)).toContain('20 are needed to tell')
    expect(await told(dry, { humidity: madeRun(spring, 1).unit })).toMatch(/x unit [+-] [\d.]+ x %RH/)
    const file = join(newFolder(), 'none.yaml')
    const refused = await run({ unit: [dry], reference, form: 'growth', write: file, serial: ['1'] })
    expect([refused.code, existsSync(file)]).toEqual([2, false])
    expect((await run({ unit: [dry], reference, form: 'cubic' })).err).toContain('linear, humidity or growth')
  })
})

describe('two runs, half a year apart', () => {
  it('show how the unit drifted, with its interval, and the file lies between them by time', async () => {
    const before = await written(madeRun(spring, 1.25), { form: 'growth' })
    const made = madeRun(autumn, 1.1)
    const options = { unit: [made.unit], reference: made.reference, form: 'growth', serial: ['00417'] }
    const { out } = await run({ ...options, previous: [before.file], levels: '20', json: true })
    const [{ drift }] = (
      JSON.parse(out) as {
        units: { drift: { is_shown: boolean; slope: { change: number }; levels: { interval: number[] }[] } }[]
      }
    ).units
    expect(drift.is_shown).toBe(true)
    expect(drift.slope.change).toBeCloseTo(1 / 1.1 - 1 / 1.25, 1)
    expect(drift.levels[0].interval[0]).toBeGreaterThan(0)
    expect((await run({ ...options, previous: [before.file] })).out).toContain('DRIFT: unit reads otherwise')

    const { correction } = await written(made, { form: 'growth', previous: [before.file] })
    expect(correction.earlier).toMatchObject({
      apply: 'linear',
      runs: [{ from: '2026-03-01', to: '2026-03-30' }],
    })
    const at = (day: string): number => {
      const done = applyCorrection(correction, {
        ...{ channel: 'pm2_5', serial: '00417', value: 20, humidityPercent: 40 },
        atUtc: Date.parse(`${day}T00:00Z`),
      })
      if (!done.ok) throw new Error(done.refused)
      return done.corrected
    }
    const [first, middle, last] = ['2026-03-01', '2026-06-16', '2026-11-01'].map(at)
    expect(middle).toBeCloseTo((first + last) / 2, 9)
    expect(last / first).toBeCloseTo(1.25 / 1.1, 1)
  })

  it('of a unit that stayed as it was show no drift', async () => {
    const before = await written(madeRun(spring, 1.2))
    const { unit, reference } = madeRun(autumn, 1.2)
    const { out } = await run({ unit: [unit], reference, serial: ['00417'], previous: [before.file] })
    expect(out).toContain('no drift shown since the run of 2026-03-01 to 2026-03-30')
  })

  it('are refused for another unit, without days, later than this run, or with a word that says nothing', async () => {
    const { file } = await written(madeRun(autumn, 1.2))
    const { unit, reference } = madeRun(spring, 1.2)
    const options = { unit: [unit], reference, previous: [file] }
    const errOf = async (more: Partial<CollocateOptions>) => (await run({ ...options, ...more })).err
    expect(await errOf({ serial: ['00533'] })).toContain('belongs to unit 00417; here are 00533')
    const again = join(newFolder(), 'again.yaml')
    expect(await errOf({ serial: ['00417'], write: again })).toContain('is not over before this one begins')
    expect(await errOf({ serial: ['00417'], apply: 'mean' })).toContain('first, last or linear')
    expect(await errOf({ serial: ['00417'], channel: 'pm10' })).toContain('no hour of pm10')
    const bare = join(newFolder(), 'bare.yaml')
    writeFileSync(
      bare,
      readFileSync(file, 'utf8').replace(/^(run_|intercept_95|slope_95|levels).*(\n {2}.*)*\n/gm, ''),
    )
    expect(await errOf({ serial: ['00417'], previous: [bare] })).toContain('run_from')
  })
})

describe('several units', () => {
  it('get a file each, a row each in the CSV, and a drawing each beside one over time', async () => {
    const { unit, reference } = madeRun(spring, 1.2)
    const other = madeRun(spring, 1.1).unit
    const [write, svg] = [join(newFolder(), 'corrections'), join(newFolder(), 'drawn')]
    const options = { unit: [unit, other], reference, serial: ['00417', '00533'], write, svg, csv: true }
    const { code, out, err } = await run(options)
    expect([code, err]).toEqual([0, ''])
    for (const serial of options.serial)
      expect(loadCorrection(join(write, `pm2_5-${serial}.yaml`))).toMatchObject({
        ok: true,
        value: { serial },
      })
    const rows = out.trim().split('\r\n')
    expect(rows).toHaveLength(3)
    expect(rows[2].split(',')).toHaveLength(rows[0].split(',').length)
    for (const name of ['pm2_5-00417-scatter', 'pm2_5-00533-scatter', 'pm2_5-time']) {
      const drawn = readFileSync(join(svg, `${name}.svg`), 'utf8')
      expect(drawn).toMatch(/^<svg [^]*µg\/m³[^]*<\/svg>\n$/)
      expect(drawn).not.toMatch(/NaN|Infinity|undefined/)
    }
    expect((await run(options)).err).toContain('--force')
  })

  it('are compared with each other, two and two: what one scatters by itself', async () => {
    const noisy = (sd: number) =>
      madeSeries(
        'unit',
        truth.map((value) => value + sd * normal()),
        { from: spring },
      )
    const reference = madeSeries('reference', truth, { from: spring })
    const { out } = await run({ unit: [noisy(2), noisy(2)], reference, json: true })
    const { pairs } = JSON.parse(out) as { pairs: { days: number; sd: number }[] }
    // A daily mean of 24 hours with an SD of 2 has one of 2 / sqrt(24) = 0.41.
    expect(pairs).toHaveLength(1)
    expect(Math.abs(pairs[0].sd - 2 / Math.sqrt(24))).toBeLessThan(0.2)
  })
})

describe('a reference with another time step', () => {
  it.each([600, 1800, 10_800])('of %i s is compared by valid days', async (stepSeconds) => {
    const steps = (days: number) => (days * 86_400) / stepSeconds
    const reference = madeSeries(
      'reference',
      Array.from({ length: steps(20) }, (_, i) => 10 + ((i * 7) % 11)),
      {
        ...{ from: spring, stepSeconds },
      },
    )
    const unit = madeSeries('unit', truth.slice(0, 480), { from: spring })
    const { code, out } = await run({ unit: [unit], reference, json: true })
    const told = JSON.parse(out) as { days: number; units: { lags: unknown[] }[] }
    expect([code, told.days]).toEqual([0, 20])
    expect(told.units[0].lags.length > 0).toBe(stepSeconds <= 3600)
  })

  it('of constant figures gives distances, but no line, no targets and no correction', async () => {
    const constant = madeSeries('constant', Array(480).fill(12) as number[], { from: spring })
    const { code, out } = await run({ unit: [constant], reference: constant, json: true })
    const [unit] = (JSON.parse(out) as { units: { r_squared: null; rmse: number; correction: null }[] }).units
    expect(code).toBe(0)
    expect(unit).toMatchObject({ r_squared: null, rmse: 0, correction: null })
  })

  it('with a zero below zero and figures far above the range is compared as it stands', async () => {
    const offset = truth.map((value) => value - 6)
    const unit = madeSeries(
      'unit',
      truth.map((value, i) => (i % 97 === 0 ? 1500 : value)),
      { from: spring },
    )
    const { out } = await run({
      unit: [unit],
      reference: madeSeries('zero', offset, { from: spring }),
      json: true,
    })
    const [told] = (JSON.parse(out) as { units: { bias: number }[] }).units
    expect(told.bias).toBeGreaterThan(6)
  })
})
