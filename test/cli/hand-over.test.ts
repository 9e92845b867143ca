import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { stringify } from 'yaml'
import { exportData, type ExportOptions } from '../../agent/cli/export.js'
import type { ImportOptions } from '../../agent/cli/import-plan.js'
import { importLog } from '../../agent/cli/import.js'
import { correctionPlain, type Correction } from '../../agent/limits/limits.js'
import { midnight, newFolder, ran, removeFolders, siteEntry } from './desk-rig.js'
import { averagesJson, madeStore, type MadeMinute } from './figures-rig.js'

afterAll(removeFolders)

const zone = '+01:00'
/** Two days with a sampled night, a cut-off hour, a humid morning, and air that does not stand still. */
function minuteAt(minute: number): MadeMinute | undefined {
  const hour = Math.floor(minute / 60)
  if (hour % 24 < 6 && minute % 15 >= 3) return undefined
  if (hour === 20 && minute % 60 >= 17) return undefined
  const pm2_5 = Number((12 + 7 * Math.sin(minute / 97) + (minute % 13) / 3).toFixed(2))
  return { values: { pm2_5, pm10: pm2_5 * 2, humidity: hour === 8 ? 92 : 60 } }
}

const store = () =>
  madeStore({
    channels: ['pm2_5', 'pm10', 'humidity'],
    inferred: ['pm10'],
    from: midnight,
    minutes: 2 * 1440,
    before: [siteEntry(midnight, 'set-up', { place: '=gate', new_serial: 'A-1' })],
    at: minuteAt,
  })

interface Table {
  readonly file: string
  readonly columns: readonly string[]
  readonly rows: readonly Readonly<Record<string, string>>[]
}

async function table(folder: string, options: ExportOptions = {}): Promise<Table> {
  const file = join(newFolder(), 'hours.csv')
  const { code, err } = await ran(() =>
    exportData({ store: folder, zone, of: 'hand-over', out: file, ...options }),
  )
  expect(err).toBe('')
  expect(code).toBe(0)
  const [head, ...lines] = readFileSync(file, 'utf8').trim().split('\r\n')
  const columns = head.split(',')
  const rows = lines.map((line) => Object.fromEntries(line.split(',').map((cell, i) => [columns[i], cell])))
  return { file, columns, rows }
}

describe('the hourly hand-over table', () => {
  it('has a data dictionary beside it that explains each column and each word in it', async () => {
    const { file, columns, rows } = await table(await store())
    const dictionary = JSON.parse(readFileSync(file.replace('.csv', '.dictionary.json'), 'utf8')) as {
      columns: { name: string; meaning: string; values?: Record<string, string> }[]
    }
    expect(dictionary.columns.map(({ name }) => name)).toEqual(columns)
    expect(dictionary.columns.every(({ meaning }) => meaning !== '')).toBe(true)
    for (const { name, values } of dictionary.columns) {
      if (!values) continue
      const used = new Set(rows.flatMap((row) => row[name].split(' ')).filter(Boolean))
      for (const word of used) expect(Object.keys(values)).toContain(word)
    }
  })

  it('says whose figures they are: an indicative sensor, or a reference instrument with what was stated of it', async () => {
    const cautionOf = async (store: string): Promise<string> => {
      const { file } = await table(store)
      const text = readFileSync(file.replace('.csv', '.dictionary.json'), 'utf8')
      return (JSON.parse(text) as { caution: string }).caution
    }
    const log = 'time,pm2_5\n2026-03-03 00:00,5\n2026-03-03 01:00,6\n'
    const seriesOf = async (options: Partial<ImportOptions>): Promise<string> => {
      const into = newFolder()
      writeFileSync(join(into, 'log.csv'), log)
      const how = { into, zone, label: 'start', ...options }
      expect((await ran(() => importLog(join(into, 'log.csv'), how))).code).toBe(0)
      return join(into, 'log.series.csv')
    }
    expect(await cautionOf(await store())).toMatch(/^Figures of an indicative sensor\. .*±50 %/)
    expect(await cautionOf(await seriesOf({}))).toMatch(/^Figures of an indicative sensor/)
    expect(await cautionOf(await seriesOf({ instrument: 'reference', uncertainty: '8' }))).toBe(
      'pm2_5: figures of a reference instrument, as said at import; uncertainty: ±8.0 %, as stated for this reference series at import.',
    )
    expect(await cautionOf(await seriesOf({ instrument: 'reference' }))).toContain('none was stated')
  })

  it('says of each hour what it is and what must be known of it', async () => {
    const { rows } = await table(await store())
    const at = (start: string, parameter: string) =>
      rows.find((row) => row.start_standard.startsWith(start) && row.parameter === parameter)!
    expect(at('2026-03-03T00:00', 'pm2_5')).toMatchObject({
      ...{ station: 'hill', site: "'=gate", unit: 'A-1', slot: '', measured_in: 'ug/m3' },
      ...{ start_utc: '2026-03-02T23:00:00Z', class: 'sampled', used_minutes: '12.00' },
    })
    expect(at('2026-03-03T20:00', 'pm2_5')).toMatchObject({ class: 'short', raw: '', used_minutes: '17.00' })
    expect(at('2026-03-03T08:00', 'pm2_5').qualifier).toBe('humid')
    expect(at('2026-03-03T09:00', 'pm10').qualifier).toBe('inferred')
  })

  it('has the corrected value beside the raw one, and says where the correction does not hold', async () => {
    const file = join(newFolder(), 'correction.yaml')
    const made: Correction = {
      ...{
        name: 'run of March',
        channel: 'pm2_5',
        serial: 'A-1',
        made: '2026-03-31',
        source: 'side by side',
      },
      form: { kind: 'linear', intercept: 0, slope: 0.5 },
      ...{ lowest: 0, highest: 100, mostHumidityPercent: 85 },
    }
    writeFileSync(file, stringify(correctionPlain(made)))
    const { rows } = await table(await store(), { correction: [file] })
    const fine = rows.filter(({ parameter }) => parameter === 'pm2_5')
    for (const row of fine.filter(({ corrected }) => corrected !== '')) {
      expect(Number(row.corrected)).toBeCloseTo(Number(row.raw) / 2, 1)
      expect(row.correction).toBe('run of March')
    }
    expect(fine.filter(({ qualifier }) => qualifier.includes('outside-correction'))).toHaveLength(1)
    expect(
      rows.filter(({ parameter }) => parameter === 'pm10').every(({ corrected }) => corrected === ''),
    ).toBe(true)
  })

  it('read back by import gives the same hours, and days within their last digit', async () => {
    const folder = await store()
    for (const channel of ['pm2_5', 'pm10']) {
      const { file } = await table(folder, { channel: [channel] })
      const into = newFolder()
      const read = await ran(() =>
        importLog(file, {
          into,
          map: [`${channel}=raw`],
          time: 'start_utc',
          label: 'start',
          step: '3600',
          zone,
        }),
      )
      expect(read.code).toBe(0)
      const options = { zone, from: '2026-03-03', to: '2026-03-04' }
      const [back] = (await averagesJson(join(into, 'hours.series.csv'), options)).series
      const [own] = (await averagesJson(folder, { ...options, channel: [channel] })).series
      const counted = own.periods.filter(({ kind }) => kind === 'full' || kind === 'sampled')
      expect(counted.length).toBe(47)
      for (const { from, mean } of counted)
        expect(back.periods.find((one) => one.from === from)?.mean, String(from)).toBe(mean)
      back.days.forEach(({ mean }, i) =>
        expect(Math.abs(Number(mean) - Number(own.days[i].mean))).toBeLessThanOrEqual(0.01),
      )
    }
  })

  it('of several parameters is read back one after another with --where', async () => {
    const folder = await store()
    const { file, rows } = await table(folder, { channel: ['all'] })
    const parameters = [...new Set(rows.map(({ parameter }) => parameter))]
    expect(parameters).toEqual(['pm2_5', 'pm10', 'humidity'])
    for (const parameter of parameters) {
      const into = newFolder()
      const where = [`parameter=${parameter}`, 'unit=A-1', 'slot=']
      const how = { time: 'start_utc', label: 'start', step: '3600', zone, where }
      const read = await ran(() => importLog(file, { into, map: [`${parameter}=raw`], ...how }))
      expect(read.err).toBe('')
      expect(read.code).toBe(0)
      const own = rows.filter((row) => row.parameter === parameter && row.raw !== '')
      const [, ...back] = readFileSync(join(into, 'hours.series.csv'), 'utf8').trim().split('\n')
      expect(back.map((row) => [Date.parse(row.split(',')[0]), Number(row.split(',')[2])])).toEqual(
        own.map(({ start_utc, raw }) => [Date.parse(start_utc), Number(raw)]),
      )
    }
  })

  it('needs a file to write to, and writes over none', async () => {
    const folder = await store()
    expect((await ran(() => exportData({ store: folder, zone, of: 'hand-over' }))).err).toContain(
      'say --out FILE',
    )
    const { file } = await table(folder)
    expect((await ran(() => exportData({ store: folder, zone, of: 'hand-over', out: file }))).code).toBe(2)
    const wrong = { store: folder, zone, of: 'hours', correction: ['x.yaml'] }
    expect((await ran(() => exportData(wrong))).err).toContain('--correction is for --of hand-over')
  })
})
