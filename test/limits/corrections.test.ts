import { describe, expect, it } from 'vitest'
import {
  applyCorrection,
  correctionPlain,
  correctionRefusals,
  correctionRefusalWords,
  growthMassFactor,
  readCorrection,
  type Correction,
  type Uncorrected,
} from '../../agent/limits/limits.js'
import { growth, straightLine } from './made-corrections.js'

const given: Uncorrected = {
  channel: 'pm2_5',
  serial: '00417',
  scaling: 'atmospheric',
  value: 20,
  humidityPercent: 60,
}

describe('a correction', () => {
  it('gives the corrected value with the raw one and its own name beside it', () => {
    expect(applyCorrection(straightLine, given)).toEqual({
      ok: true,
      raw: 20,
      corrected: 17.5,
      by: 'run-of-march',
    })
  })

  it.each<[string, Partial<Uncorrected>, string]>([
    ['another channel', { channel: 'pm10' }, 'other-channel'],
    ['another unit', { serial: '00418' }, 'other-unit'],
    ['a unit that is not known', { serial: undefined }, 'other-unit'],
    ['the other mass output', { scaling: 'standard-particle' }, 'other-scaling'],
    ['no value', { value: NaN }, 'no-value'],
    ['a value above its range', { value: 150.01 }, 'outside-range'],
    ['a value below its range', { value: -0.01 }, 'outside-range'],
    ['air more humid than it holds for', { humidityPercent: 90.1 }, 'too-humid'],
    ['an unknown humidity', { humidityPercent: undefined }, 'no-humidity'],
    ['a humidity that is no number', { humidityPercent: NaN }, 'no-humidity'],
  ])('is refused for %s, and the raw value stands', (_, more, refused) => {
    const { value } = { ...given, ...more }
    expect(applyCorrection(straightLine, { ...given, ...more })).toEqual({ ok: false, raw: value, refused })
  })

  it('holds at both ends of its range and at its highest humidity', () => {
    for (const value of [0, 150])
      expect(applyCorrection(straightLine, { ...given, value, humidityPercent: 90 }).ok).toBe(true)
  })

  it('that is a straight line at any humidity needs none', () => {
    const anyHumidity = { ...straightLine, mostHumidityPercent: 100 }
    expect(applyCorrection(anyHumidity, { ...given, humidityPercent: undefined }).ok).toBe(true)
    expect(applyCorrection({ ...growth }, { ...given, humidityPercent: undefined }).ok).toBe(false)
  })

  it('may give a value below zero, for means must not lean upwards', () => {
    const line: Correction = { ...straightLine, form: { kind: 'linear', intercept: -3, slope: 1 } }
    expect(applyCorrection(line, { ...given, value: 1 })).toMatchObject({ raw: 1, corrected: -2 })
  })

  it('for growth leaves dry air alone and has no factor at 100 %', () => {
    expect(applyCorrection(growth, { ...given, humidityPercent: 0 })).toMatchObject({ corrected: 20 })
    expect(growthMassFactor(0.4, 100)).toBe(Infinity)
    expect(applyCorrection(growth, { ...given, humidityPercent: 95.1 })).toMatchObject({
      refused: 'too-humid',
    })
  })

  it('has words for every refusal', () => {
    expect(Object.keys(correctionRefusalWords)).toEqual([...correctionRefusals])
  })
})

describe('a correction as plain values', () => {
  const humid: Correction = {
    ...straightLine,
    form: { kind: 'linear-humidity', intercept: 5.75, slope: 0.524, perHumidity: -0.0862 },
  }
  it.each([
    ['a line', straightLine],
    ['a line with humidity', humid],
    ['growth', growth],
    ['a sensor with one output', { ...straightLine, scaling: undefined }],
  ])('of %s is read back the same', (_, correction) => {
    const read = readCorrection(correctionPlain(correction))
    expect(read).toEqual({ ok: true, value: JSON.parse(JSON.stringify(correction)) })
  })

  it.each<[string, Record<string, unknown>, string]>([
    ['without a unit', { serial: undefined }, 'serial'],
    ['without its highest humidity', { most_humidity_percent: undefined }, 'most_humidity_percent'],
    [
      'for growth above 95 %',
      { ...correctionPlain(growth), most_humidity_percent: 96 },
      'most_humidity_percent',
    ],
    ['with a slope as a text', { slope: '0.8' }, 'slope'],
    ['without its slope', { slope: undefined }, 'slope'],
    ['with a range that is none', { highest: 0 }, 'highest'],
    ['with an unknown key', { offset: 1 }, 'offset'],
  ])('%s is refused with the path of the key', (_, more, path) => {
    const plain = { ...correctionPlain(straightLine), ...more }
    const given = Object.fromEntries(
      Object.entries(plain).filter(
        ([key, value]) => value !== undefined && !('kappa' in more && ['slope', 'intercept'].includes(key)),
      ),
    )
    const read = readCorrection(given)
    expect(read.ok ? [] : read.faults.map((fault) => fault.path)).toEqual([path])
  })
})
