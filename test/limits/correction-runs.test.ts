/** A unit that stood beside a reference more than once: which run corrects a figure of which time. */
import { parse, stringify } from 'yaml'
import { describe, expect, it } from 'vitest'
import {
  applyCorrection,
  correctionPlain,
  readCorrection,
  type AppliedRun,
  type Correction,
} from '../../agent/limits/limits.js'
import { growth, straightLine } from './made-corrections.js'

const line = (intercept: number, slope: number) => ({ kind: 'linear', intercept, slope }) as const
/** Middles: noon of 10 January and noon of 30 January, twenty days apart. */
const twice = (apply: AppliedRun): Correction => ({
  ...straightLine,
  form: line(2, 1),
  run: {
    from: '2026-01-25',
    to: '2026-02-04',
    interval: {
      slope: [0.9, 1.1],
      intercept: [1, 3],
      levels: [{ raw: 10, interval: [11.5, 12.5] }],
    },
  },
  earlier: { apply, runs: [{ form: line(0, 1), from: '2026-01-05', to: '2026-01-15' }] },
})
const given = { channel: 'pm2_5', serial: '00417', scaling: 'atmospheric', value: 20, humidityPercent: 60 }
const correctedAt = (apply: AppliedRun, day: string): number => {
  const atUtc = Date.parse(`${day}T12:00:00Z`)
  const done = applyCorrection(twice(apply), { ...given, atUtc })
  if (!done.ok) throw new Error(done.refused)
  return done.corrected
}

describe('a correction of two runs', () => {
  it('is the first, the last, or lies between them in proportion to time, and stands still beyond both', () => {
    const days = ['2025-06-01', '2026-01-10', '2026-01-15', '2026-01-20', '2026-01-30', '2026-06-01']
    expect(days.map((day) => correctedAt('first', day))).toEqual([20, 20, 20, 20, 20, 20])
    expect(days.map((day) => correctedAt('last', day))).toEqual([22, 22, 22, 22, 22, 22])
    expect(days.map((day) => correctedAt('linear', day))).toEqual([20, 20, 20.5, 21, 22, 22])
  })

  it('goes from run to run where there are three', () => {
    const { earlier, ...rest } = twice('linear')
    const runs = [{ form: line(-8, 1), from: '2025-12-16', to: '2025-12-26' }, ...earlier!.runs]
    const at = (day: string) =>
      applyCorrection(
        { ...rest, earlier: { apply: 'linear', runs } },
        { ...given, atUtc: Date.parse(`${day}T12:00Z`) },
      )
    expect(at('2025-12-31')).toMatchObject({ corrected: 16 })
    expect(at('2026-01-20')).toMatchObject({ corrected: 21 })
  })

  it('is refused without a time where it changes with time, and only there', () => {
    expect(applyCorrection(twice('linear'), given)).toMatchObject({ ok: false, refused: 'no-time' })
    expect(applyCorrection(twice('last'), given)).toMatchObject({ ok: true, corrected: 22 })
  })

  it('needs the humidity where one of its runs does', () => {
    const wet = { form: growth.form, from: '2026-01-05', to: '2026-01-15' }
    const mixed: Correction = {
      ...twice('last'),
      mostHumidityPercent: 100,
      earlier: { apply: 'linear', runs: [wet] },
    }
    const dry = { ...given, humidityPercent: undefined, atUtc: 0 }
    expect(applyCorrection(mixed, dry)).toMatchObject({ refused: 'no-humidity' })
    expect(applyCorrection({ ...mixed, earlier: undefined }, dry)).toMatchObject({ ok: true })
  })
})

describe('its file', () => {
  it.each([
    ['a line', twice('linear')],
    ['growth with a line', { ...growth, form: { ...growth.form, intercept: 0.5, slope: 0.9 } } as Correction],
  ])('of %s is read back the same, through YAML', (_, correction) => {
    expect(readCorrection(parse(stringify(correctionPlain(correction))))).toEqual({
      ok: true,
      value: correction,
    })
  })

  it.each<[string, (plain: Record<string, unknown>) => unknown, string]>([
    ['runs without what is made of them', (plain) => ({ ...plain, apply: undefined }), 'apply'],
    ['a word that says nothing', (plain) => ({ ...plain, apply: 'mean' }), 'apply'],
    [
      'an earlier run that is later',
      (plain) => ({ ...plain, run_from: '2020-01-01', run_to: '2020-02-01' }),
      'earlier',
    ],
    ['a run that ends before it begins', (plain) => ({ ...plain, run_to: '2026-01-24' }), 'run_to'],
    ['an interval upside down', (plain) => ({ ...plain, slope_95: [2, 1] }), 'slope_95'],
    [
      'a level that is no number',
      (plain) => ({ ...plain, levels: [{ raw: 'x', corrected_95: [1, 2] }] }),
      'levels[0].raw',
    ],
    [
      'an earlier run without its days',
      (plain) => ({ ...plain, earlier: [{ kind: 'linear', intercept: 0, slope: 1 }] }),
      'earlier[0].run_from',
    ],
  ])('with %s is refused with the path of the key', (_, change, path) => {
    const plain = JSON.parse(JSON.stringify(change({ ...correctionPlain(twice('linear')) }))) as unknown
    const read = readCorrection(plain)
    expect(read.ok ? [] : read.faults.map((fault) => fault.path)).toContain(path)
  })
})
