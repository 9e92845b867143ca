/** Logs and agency files as they come: odd, but plausible. */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { importLog } from '../../agent/cli/import.js'
import type { ImportOptions } from '../../agent/cli/import-plan.js'
import { newFolder, ran, removeFolders } from './desk-rig.js'

afterAll(removeFolders)

/** @returns rows as 'HH:MM value value …', in UTC */
async function imported(log: string | Buffer, options: Partial<ImportOptions> = {}) {
  const into = newFolder()
  writeFileSync(join(into, 'log.csv'), log)
  const how = { into, zone: '+00:00', label: 'start', step: '3600', ...options }
  const { code, out, err } = await ran(() => importLog(join(into, 'log.csv'), how))
  let rows: string[] = []
  if (out.includes('written')) {
    const [, ...lines] = readFileSync(join(into, 'log.series.csv'), 'utf8').trim().split('\n')
    rows = lines.map((line) => line.replace(/^.{8}(..)T(.....).*?,\d+,/, '$1 $2 ').replaceAll(',', ' '))
  }
  return { code, out, err, words: (out + err).replace(/\s+/g, ' '), rows }
}

const hours = ['01 00:00 12', '01 01:00 13']
const plain = 'time,pm10\n2026-03-01 00:00,12\n2026-03-01 01:00,13\n'

describe('a unit that the log names', () => {
  const milli = (heading: string): string =>
    `time;${heading}\n2026-03-01 00:00;0.012\n2026-03-01 01:00;0.013\n`

  it.each(['PM10 (mg/m3)', 'PM10 [mg/m³]', 'pm10 (mg m-3)', 'pm10 (mg/m^3)', 'pm10 (mg/cbm)'])(
    'is taken from the heading %s, and said',
    async (heading) => {
      const { rows, words } = await imported(milli(heading))
      expect(rows).toEqual(hours)
      expect(words).toContain('pm10: in mg/m3 as the log says, made ug/m3')
    },
  )

  it.each(['PM10 [mg/m3]', 'dust mg/m³', 'C_PM10_mg/m3'])(
    'is taken too of a column %s that --map names',
    async (heading) => {
      expect((await imported(milli(heading), { map: [`pm10=${heading}`] })).rows).toEqual(hours)
    },
  )

  it('survives a file in another code page, where µ and ³ are no letters', async () => {
    const bytes = (unit: string): Buffer => Buffer.from(milli(`pm10 [${unit}/m\xb3]`), 'latin1')
    expect((await imported(bytes('mg'))).rows).toEqual(hours)
    expect((await imported(bytes('\xb5g'))).rows).toEqual(['01 00:00 0.012', '01 01:00 0.013'])
  })

  it('may stand in a line of its own below the headings, which is no row', async () => {
    const { rows, code, words } = await imported(milli('pm10').replace('\n', '\n;mg/m³\n'))
    expect(rows).toEqual(hours)
    expect(code).toBe(0)
    expect(words).toContain('1 the line of units below the headings (lines 2)')
  })

  it('gives way to what is typed, and our own is not spoken of', async () => {
    const { rows } = await imported(milli('PM10 (mg/m3)'), { units: ['pm10=ng/m3'] })
    expect(rows).toEqual(['01 00:00 0.000012', '01 01:00 0.000013'])
    expect((await imported(plain.replace('pm10', 'PM10 (µg/m³)'))).words).not.toContain('as the log says')
  })

  it('of air and wind is taken as well', async () => {
    const log = 'time,temperature (°F),pressure [kPa],wind_speed (km/h)\n2026-03-01 00:00,50,101.3,36\n'
    expect((await imported(log)).rows).toEqual(['01 00:00 10 1013 10'])
  })
})

describe('the form of an agency file', () => {
  it.each([
    ['semicolons', plain.replaceAll(',', ';')],
    ['tabs', plain.replaceAll(',', '\t')],
    ['upright strokes', plain.replaceAll(',', '|')],
    [
      'a mark of its coding and quotes',
      '\uFEFF"Time","PM10"\r\n"2026-03-01 00:00","12"\r\n"2026-03-01 01:00","13"\r\n',
    ],
    ['empty columns at the end of all lines', plain.replaceAll('\n', ',,\n')],
    ['empty columns at the end of the headings', plain.replace('\n', ',,\n')],
    ['empty columns at the end of the rows', plain.replace(/(\d)\n/g, '$1,\n').replace('pm10,\n', 'pm10\n')],
    ['a page of facts above', `# agency\nStation;X\n\nsep=,\n${plain}`],
    ['a footer', `${plain}Rows: 2\n`],
    [
      'times in UTC that say so',
      'DateTime (UTC),pm10\n2026-03-01T00:00:00.000Z,12\n2026-03-01 01:00:00+00,13\n',
    ],
  ])('may have %s', async (_, log) => {
    expect((await imported(log)).rows).toEqual(hours)
  })

  it('may hold hours from 01:00 to 24:00 named by their ends, in columns of their own, day first, with decimal commas', async () => {
    const log =
      '"Date";"Time";"PM10"\n"28.02.2026";"24:00";"11,5"\n"01.03.2026";"01:00";"12"\n"01.03.2026";"02:00";"13"\n'
    const how = { time: 'Date,Time', timeFormat: 'DD.MM.YYYY HH:mm', decimal: 'comma', label: 'end' }
    expect((await imported(log, how)).rows).toEqual(['28 23:00 11.5', ...hours])
    const compact = 'date,hour,pm10\n20260228,24,11.5\n20260301,1,12\n20260301,2,13\n'
    const typed = { time: 'date,hour', timeFormat: 'YYYYMMDD HH', label: 'end' }
    expect((await imported(compact, typed)).rows).toEqual(['28 23:00 11.5', ...hours])
    const four = compact.replace(',24,', ',2400,').replace(',1,', ',0100,').replace(',2,', ',0200,')
    expect((await imported(four, { ...typed, timeFormat: 'YYYYMMDD HHmm' })).rows).toHaveLength(3)
  })

  it.each([
    ['1-Mar-26 00:00', 'DD-MMM-YY HH:mm'],
    ['March 1, 2026 12:00 AM', 'MMM DD, YYYY HH:mm A'],
    ['3/1/2026 12:00 AM', 'MM/DD/YYYY HH:mm A'],
    ['01.03.26 00:00', 'DD.MM.YY HH:mm'],
  ])('may write times as %s', async (time, timeFormat) => {
    expect((await imported(`when;pm10\n${time};12\n`, { time: 'when', timeFormat })).rows).toEqual([hours[0]])
  })

  it('with months that are none, or weeks, is refused with the first time as it stands', async () => {
    const wrong = await imported('time;pm10\n1-Mär-26 00:00;12\n', { timeFormat: 'DD-MMM-YY HH:mm' })
    expect(wrong).toMatchObject({ code: 1, rows: [] })
    expect((await imported('time;pm10\n2026-W09-7;12\n')).words).toContain("is '2026-W09-7': say its form")
    expect((await imported(plain, { timeFormat: 'YYYY YY MM DD' })).code).toBe(2)
  })
})

describe('cells without a value', () => {
  it.each(['NA', 'n/a', 'NaN', '', '-', '--', '-999', '-9999.0', '-999.00', 'No data', '#N/A'])(
    'are missing where they say %j',
    async (cell) => {
      const { rows, code } = await imported(`${plain}2026-03-01 02:00,${cell}\n`)
      expect(rows).toEqual(hours)
      expect(code).toBe(0)
    },
  )

  it("that say '<2' give no number, are counted, and the effect on means is said", async () => {
    const { rows, code, words } = await imported(`${plain}2026-03-01 02:00,<2\n2026-03-01 03:00,< 2\n`)
    expect(rows).toEqual(hours)
    expect(code).toBe(1)
    expect(words).toContain("pm10: 2 cells say only 'less than' (<2)")
  })

  it('that hold a flag, thousands or an error value are refused by their lines, never cut to a number', async () => {
    const { rows, words } = await imported(
      `${plain}2026-03-01 02:00,14*\n2026-03-01 03:00,"1,015.5"\n2026-03-01 04:00,-99\n2026-03-01 05:00,1 016\n`,
    )
    expect(rows).toEqual(hours)
    expect(words).toMatch(/pm10 2 0 3 1 4 5 6 7/)
  })

  it('with a decimal comma nobody spoke of say what to type', async () => {
    const { code, words } = await imported('time;pm10\n2026-03-01 00:00;12,5\n2026-03-01 01:00;13,5\n')
    expect(code).toBe(1)
    expect(words).toContain('say --decimal comma')
  })
})
