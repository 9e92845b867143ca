/** What a series is of, as said at import, and which rows of a log are meant. */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { stringify } from 'yaml'
import { importLog } from '../../agent/cli/import.js'
import type { ImportOptions } from '../../agent/cli/import-plan.js'
import { correctionPlain, type Correction } from '../../agent/limits/limits.js'
import { newFolder, ran, removeFolders } from './desk-rig.js'
import { averagesJson, averagesText, explainLines, rerun } from './figures-rig.js'

afterAll(removeFolders)

const zone = '+01:00'
/** A day of hours, alike. */
const dayOf = (mass: number): string =>
  [
    'time,pm2_5,pm10',
    ...Array.from({ length: 24 }, (_, hour) => `2026-03-03 ${String(hour).padStart(2, '0')}:00,${mass},48`),
  ].join('\n')

async function imported(log: string, options: Partial<ImportOptions> = {}) {
  const into = newFolder()
  const file = join(into, 'log.csv')
  writeFileSync(file, log)
  const done = await ran(() => importLog(file, { into, zone, label: 'start', ...options }))
  return { ...done, series: join(into, 'log.series.csv') }
}

const span = { zone, from: '2026-03-03', to: '2026-03-03' }
async function dayOfSeries(file: string, channel: string, limits: string, correction?: string[]) {
  const [series] = (await averagesJson(file, { ...span, limits, channel: [channel], correction })).series
  return {
    series,
    verdicts: series.days[0].verdicts.filter(({ limit }) => limit.startsWith(limits.slice(0, 2))),
  }
}

describe('a series of a reference instrument', () => {
  it('is above at 36.2 against 35, where a sensor that was never compared is too close to tell', async () => {
    const reference = await imported(dayOf(36.2), { instrument: 'reference' })
    const sensor = await imported(dayOf(36.2))
    const of = await dayOfSeries(reference.series, 'pm2_5', 'us-national')
    const beside = await dayOfSeries(sensor.series, 'pm2_5', 'us-national')
    expect(of.verdicts[0]).toMatchObject({ value: 36.2, arithmetic: 'above', verdict: 'above' })
    expect(of.series.uncertainty).toEqual({ source: 'reference', percent: 0, ug_m3: 0 })
    expect(beside.verdicts[0]).toMatchObject({ arithmetic: 'above', verdict: 'too-close-to-tell' })
  })

  it('says that its verdict is by arithmetic only while no uncertainty was stated', async () => {
    const { series } = await imported(dayOf(36.2), { instrument: 'reference' })
    const text = await averagesText(series, { ...span, channel: ['pm2_5'], limits: 'us-national' })
    expect(text).toContain(
      'above by arithmetic; above for this reference instrument, its uncertainty not stated',
    )
    expect(text.replace(/\s+/g, ' ')).toContain('each verdict is by arithmetic only')
    expect(text).not.toContain('±50')
  })

  it('carries the uncertainty that was stated', async () => {
    const wide = await imported(dayOf(36.2), { instrument: 'reference', uncertainty: '10' })
    const { series, verdicts } = await dayOfSeries(wide.series, 'pm2_5', 'us-national')
    expect(series.uncertainty).toEqual({ source: 'reference', percent: 10, ug_m3: 0 })
    expect(verdicts[0].verdict).toBe('too-close-to-tell')
    const narrow = await imported(dayOf(36.2), { instrument: 'reference', uncertainty: '1.5' })
    expect((await dayOfSeries(narrow.series, 'pm2_5', 'us-national')).verdicts[0].verdict).toBe('above')
  })

  it('may say below for PM10, which an inferred one never does', async () => {
    const reference = await imported(dayOf(10), { instrument: 'reference' })
    const inferred = await imported(dayOf(10), { inferred: ['pm10'] })
    expect((await dayOfSeries(reference.series, 'pm10', 'eu-2008')).verdicts[0].verdict).toBe('below')
    const { series, verdicts } = await dayOfSeries(inferred.series, 'pm10', 'eu-2008')
    expect(series.basis).toBe('inferred')
    expect(verdicts[0].verdict).toBe('too-close-to-tell')
  })
})

describe('PM10 of a log of which nobody said what instrument it is of', () => {
  const basisAndVerdict = async (options: Partial<ImportOptions>) => {
    const { series, out } = await imported(dayOf(10), options)
    const told = await dayOfSeries(series, 'pm10', 'eu-2008')
    const fine = await dayOfSeries(series, 'pm2_5', 'eu-2008')
    const bases = [fine.series.basis, told.series.basis]
    return { bases, verdict: told.verdicts[0].verdict, out: out.replace(/\s+/g, ' '), series }
  }

  it('is taken as inferred, so that it is never said to be below, and the import says so', async () => {
    const { bases, verdict, out } = await basisAndVerdict({})
    expect({ bases, verdict }).toEqual({ bases: ['measured', 'inferred'], verdict: 'too-close-to-tell' })
    expect(out).toContain('pm10: taken as inferred from smaller particles')
    expect(out).toContain('--measured pm10, or --instrument reference')
  })

  it('is measured where somebody says that the sensor measures it; it stays an uncompared sensor', async () => {
    const { bases, series, out } = await basisAndVerdict({ measured: ['pm10'] })
    expect(bases).toEqual(['measured', 'measured'])
    expect(out).not.toContain('taken as inferred')
    expect((await dayOfSeries(series, 'pm10', 'eu-2008')).series.uncertainty.source).toBe('not-compared')
    expect(readFileSync(series, 'utf8').split('\n')[0]).toContain('pm10 (ug/m3; measured)')
  })

  it('is measured by a reference instrument, and inferred without a word where it was said to be', async () => {
    expect((await basisAndVerdict({ instrument: 'reference' })).bases).toEqual(['measured', 'measured'])
    const { bases, out } = await basisAndVerdict({ inferred: ['pm10'] })
    expect(bases).toEqual(['measured', 'inferred'])
    expect(out).not.toContain('taken as inferred')
  })

  it('is inferred too in a series file of an earlier release, which says nothing', async () => {
    const { series } = await imported(dayOf(10))
    writeFileSync(series, readFileSync(series, 'utf8').replace('; inferred', ''))
    expect((await dayOfSeries(series, 'pm10', 'eu-2008')).series.basis).toBe('inferred')
  })
})

describe('a series of a unit whose number is known', () => {
  const correction = (): string => {
    const file = join(newFolder(), 'correction.yaml')
    const about = {
      name: 'run of March',
      channel: 'pm2_5',
      serial: 'A-1',
      made: '2026-03-31',
      source: 'side by side',
    }
    const made: Correction = {
      ...about,
      scaling: 'atmospheric',
      form: { kind: 'linear', intercept: 0, slope: 0.5 },
      ...{ lowest: 0, highest: 100, mostHumidityPercent: 100 },
    } as Correction
    writeFileSync(file, stringify(correctionPlain(made)))
    return file
  }
  const own = { serial: 'A-1', scaling: 'atmospheric' }

  it('is corrected by the file of that unit and mass output, and by no other', async () => {
    const file = correction()
    const corrected = async (options: Partial<ImportOptions>) =>
      (await dayOfSeries((await imported(dayOf(40), options)).series, 'pm2_5', 'us-national', [file]))
        .verdicts[0]
    expect(await corrected(own)).toMatchObject({ value: 20, is_corrected: true })
    for (const other of [{}, { serial: 'A-1' }, { ...own, serial: 'A-2' }])
      expect(await corrected(other)).toMatchObject({ value: 40, is_corrected: false })
  })

  it('keeps its number in what explains a figure', async () => {
    const { series } = await imported(dayOf(40), own)
    const text = await averagesText(series, { ...span, channel: ['pm2_5'], detail: true })
    expect(text).toContain('unit A-1')
    const [{ number, command }] = explainLines(text)
    expect((await rerun(command)).figures.map(({ figure }) => figure)).toContain(number)
  })

  it('has it in its headings, and a file without says nothing', async () => {
    const { series } = await imported(dayOf(40), own)
    const text = readFileSync(series, 'utf8')
    expect(text.split('\n')[0]).toBe(
      'start (motepost series 1),seconds,pm2_5 (ug/m3; unit A-1; atmospheric),pm10 (ug/m3; unit A-1; atmospheric; inferred)',
    )
    writeFileSync(series, text.replaceAll('; unit A-1; atmospheric', ''))
    const { series: read } = await dayOfSeries(series, 'pm2_5', 'us-national')
    expect(read).toMatchObject({
      serial: null,
      basis: 'measured',
      uncertainty: { source: 'not-compared', percent: 50 },
    })
  })

  it.each([
    [{ uncertainty: '10' }, '--uncertainty is stated for --instrument reference'],
    [{ instrument: 'reference', uncertainty: 'ten' }, '--uncertainty ten: percent, 0 to 100'],
    [{ instrument: 'monitor' }, '--instrument monitor: expected sensor or reference'],
    [{ scaling: 'raw' }, '--scaling raw: expected atmospheric or standard-particle'],
    [{ serial: 'A;1' }, '--serial A;1: letters, digits'],
    [{ measured: ['humidity'] }, '--measured humidity: expected a mass'],
    [{ measured: ['pm10'], inferred: ['pm10'] }, 'pm10 cannot be both'],
    [{ inferred: ['humidity'] }, '--inferred humidity: expected a mass'],
  ])('is refused with words where %o was said', async (options, words) => {
    const { code, err } = await imported(dayOf(40), options)
    expect(code).toBe(2)
    expect(err).toContain(words)
  })
})

describe('rows that --where names', () => {
  const log =
    'time,what,value\n2026-03-03 00:00,a,1\n2026-03-03 00:00,b,2\n2026-03-03 01:00,a,3\n2026-03-03 01:00,"b",4\n'
  const how = { map: ['pm2_5=value'] }

  it('are taken, and the others counted apart from what is wrong', async () => {
    const { code, out, series } = await imported(log, { ...how, where: ['what=b'], json: true })
    expect(code).toBe(0)
    expect((JSON.parse(out) as { lines: unknown }).lines).toEqual({
      ...{ taken: 4, given: 2, held: 0 },
      refused: { 'other-row': 2 },
    })
    expect(
      readFileSync(series, 'utf8')
        .trim()
        .split('\n')
        .slice(1)
        .map((row) => row.split(',')[2]),
    ).toEqual(['2', '4'])
  })

  it('of a column that is not there are refused by its name', async () => {
    const { code, err } = await imported(log, { ...how, where: ['which=b'] })
    expect(code).toBe(2)
    expect(err).toContain('There is no column which.')
  })

  it('of a value that is not there: what stands there instead is said, and nothing written', async () => {
    const { code, err } = await imported(log, { ...how, where: ['what=c'] })
    expect(code).toBe(1)
    expect(err).toContain("Other rows have in 'what': a, b")
    expect(err).toContain('nothing was written')
  })

  it('need a column and a value, and a column once', async () => {
    expect((await imported(log, { ...how, where: ['what'] })).err).toContain(
      '--where what: expected COLUMN=VALUE',
    )
    expect((await imported(log, { ...how, where: ['what=a', 'what=b'] })).err).toContain('named before')
  })
})
