import { spawnSync } from 'node:child_process'
import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { exportData, type ExportOptions } from '../../agent/cli/export.js'
import { csvRow } from '../../agent/cli/export-csv.js'
import { entriesOf, resolve } from '../support/senml-resolver.js'
import { storedRecords } from '../support/stored-records.js'
import { anchor, at, minute, minutes, newFolder, ran, removeFolders, siteEntry, storeOf } from './desk-rig.js'

afterAll(removeFolders)

const exported = (store: string, options: ExportOptions = {}) =>
  ran(() => exportData({ store, zone: '+01:00', ...options }))

/** RFC 4180 section 2, rule by rule; shares nothing with the writer. */
function parseCsv(text: string, separator = ','): string[][] {
  const rows: string[][] = [[]]
  let cell = ''
  let i = 0
  const close = (): void => {
    rows[rows.length - 1].push(cell)
    cell = ''
  }
  while (i < text.length) {
    if (text[i] === '"' && cell === '') {
      for (i++; text[i] !== '"' || text[i + 1] === '"'; i += text[i] === '"' ? 2 : 1) {
        if (i >= text.length) throw new Error('a quote is not closed')
        cell += text[i]
      }
      i++
      if (![separator, '\r', undefined].includes(text[i])) throw new Error(`text after a quote at ${i}`)
    } else if (text[i] === separator) {
      close()
      i++
    } else if (text.startsWith('\r\n', i)) {
      close()
      rows.push([])
      i += 2
    } else {
      if ('"\r\n'.includes(text[i])) throw new Error(`a bare ${JSON.stringify(text[i])} at ${i}`)
      cell += text[i++]
    }
  }
  if (rows.pop()!.length > 0) throw new Error('the last line has no end')
  for (const row of rows) if (row.length !== rows[0].length) throw new Error('rows of different length')
  return rows
}

const table = (text: string, separator?: string): Record<string, string>[] => {
  const [heads, ...rows] = parseCsv(text, separator)
  return rows.map((row) => Object.fromEntries(row.map((cell, i) => [heads[i], cell])))
}

describe('minutes as CSV', () => {
  it('hold what the lines of the store hold, read by another parser, with local time and UTC', async () => {
    const store = await storeOf([
      anchor(at(0)),
      ...minutes(at(9), 30, 12.34),
      minute(at(10), 7, { used: 50 }),
    ])
    const { code, out, err } = await exported(store)
    expect([code, err]).toEqual([0, ''])
    const rows = table(out)
    const stored = storedRecords(store)
    expect(rows.map((row) => Number(row['pm2_5 mean (ug/m3, atmospheric)']))).toEqual(
      stored.map(({ values }) => values['pm2_5:mean']),
    )
    expect(rows.map((row) => Number(row.number))).toEqual(stored.map(({ seq }) => seq))
    expect(rows[0]).toMatchObject({
      'start (local standard time)': '2026-03-03T09:00:00+01:00',
      'start (UTC)': '2026-03-03T08:00:00Z',
      'time from': 'record',
      'battery_voltage mean (V)': '-12.500',
    })
    expect(rows[30]).toMatchObject({ 'excluded (s)': 'no-data=10.0', 'pm2_5 used (s)': '50.0' })
  })

  it('hold every record once and in order where there are many, and one set of columns', async () => {
    const store = await storeOf(minutes(at(0), 9000, 5), 512)
    const { out } = await exported(store)
    const rows = table(out)
    const file = join(newFolder(), 'hill.csv')
    await exported(store, { out: file })
    expect(readFileSync(file, 'utf8')).toBe(out)
    expect(rows.map((row) => Number(row.number))).toEqual(Array.from({ length: 9000 }, (_, i) => i + 1))
  })

  it('have a decimal comma on wish, and semicolons between cells then', async () => {
    const store = await storeOf([minute(at(9), 12.34)])
    const [row] = table((await exported(store, { decimal: 'comma' })).out, ';')
    expect(row).toMatchObject({
      'pm2_5 mean (ug/m3, atmospheric)': '12,34',
      'battery_voltage mean (V)': '-12,500',
    })
  })

  it('are read alike by the CSV module of another language', async () => {
    const place = 'gate "north"; behind, the wall'
    const store = await storeOf([siteEntry(at(0), 'set-up', { place }), ...minutes(at(9), 3, 1.5)])
    const script =
      "import csv,sys,json,io; print(json.dumps(list(csv.reader(io.StringIO(sys.stdin.buffer.read().decode('utf-8'),newline=''),delimiter=sys.argv[1]))))"
    for (const [decimal, separator] of [
      ['point', ','],
      ['comma', ';'],
    ]) {
      const { out } = await exported(store, { decimal })
      const python = spawnSync('python3', ['-c', script, separator], { input: out, encoding: 'utf8' })
      if (python.error)
        return console.info('python3 is not here: the CSV was read by the parser of this test only')
      const rows = JSON.parse(python.stdout) as string[][]
      expect(rows).toEqual(parseCsv(out, separator))
      expect(rows[1][rows[0].indexOf('place')]).toBe(place)
    }
  })

  it('run nothing in a spreadsheet: a text that begins like a formula is kept a text', async () => {
    for (const place of ['=1+1', '+1', '-2+3', '@SUM(A1)']) {
      const store = await storeOf([siteEntry(at(0), 'set-up', { place }), minute(at(9), 1)])
      const [row] = table((await exported(store)).out)
      expect(row.place).toBe("'" + place)
    }
    expect(csvRow(['\t=1', '\r=1', 'plain', { number: -0.5, decimals: 1 }], 'point')).toBe(
      `'\t=1,"'\r=1",plain,-0.5\r\n`,
    )
  })

  it('keep a record whose time nobody knows, with empty times; a span leaves it out', async () => {
    const store = await storeOf([minute(at(9), 1), minute(at(10), 2, { timeless: true, boot: 'ffffffff' })])
    const { out, err } = await exported(store)
    expect(table(out)[1]).toMatchObject({ 'start (UTC)': '', 'time from': 'not known' })
    expect(err).toContain('1 records (numbers 2 to 2, boot ffffffff) have no time')
    expect(table((await exported(store, { from: '2026-03-03' })).out)).toHaveLength(1)
  })

  it('can be marked as UTF-8', async () => {
    const store = await storeOf([minute(at(9), 1)])
    expect((await exported(store, { bom: true })).out.codePointAt(0)).toBe(0xfeff)
    expect((await exported(store)).out.startsWith('number,')).toBe(true)
  })
})

describe('hours and days as CSV', () => {
  it('hold mean, data capture and sampled share of a hand sum, at least where it was over range', async () => {
    const over = { max: 600, marked: { 'over-range': 5 } }
    const store = await storeOf([...minutes(at(9), 50, 20), ...minutes(at(10), 60, 480, over)])
    const hours = table((await exported(store, { of: 'hours' })).out)
    expect(hours).toMatchObject([
      {
        mean: '20.00',
        'at least': 'no',
        'data capture (%)': '100.0',
        'sampled share (%)': '83.3',
        'what it is': 'full',
      },
      { mean: '480.00', 'at least': 'yes', 'mean without marked': '' },
    ])
    const days = table((await exported(store, { of: 'days' })).out)
    expect(days).toMatchObject([
      {
        'day (local standard time)': '2026-03-03',
        mean: '250.00',
        'what it is': 'mean so far: fewer than 18 hours',
      },
    ])
  })
})

describe('SenML', () => {
  it('of minutes resolves by RFC 8428 to the values and times of the store', async () => {
    const store = await storeOf([
      ...minutes(at(9), 3, 12.34),
      minute(at(10), 2, { timeless: true, boot: 'ffffffff' }),
    ])
    const { out } = await exported(store, { format: 'senml' })
    const resolved = resolve(entriesOf(new TextEncoder().encode(out)))
    const means = resolved.filter(({ n }) => n === 'hill/pm2_5:mean')
    expect(means).toMatchObject([0, 1, 2].map((i) => ({ v: 12.34, u: 'ug/m3', t: at(9) / 1000 + i * 60 })))
    expect(resolved.every(({ t }) => t >= at(9) / 1000 && t < at(10) / 1000)).toBe(true)
  })

  it('of hours has the shares beside each mean, and only hours', async () => {
    const store = await storeOf([...minutes(at(9), 60, 20), ...minutes(at(10), 5, 20)])
    const { out } = await exported(store, { format: 'senml', of: 'hours' })
    expect(resolve(entriesOf(new TextEncoder().encode(out)))).toMatchObject([
      { n: 'hill/pm2_5:1-h', v: 20, t: at(9) / 1000 },
      { n: 'hill/pm2_5:1-h:data-capture', u: '/', v: 1 },
      { n: 'hill/pm2_5:1-h:sampled-share', u: '/', v: 1 },
    ])
  })

  it('of nothing is an empty pack', async () => {
    expect((await exported(await storeOf([]), { format: 'senml' })).out).toBe('[]\n')
  })
})

describe('an export to a file', () => {
  it('writes over nothing unless told, and leaves standard output to a line about it', async () => {
    const store = await storeOf(minutes(at(9), 3, 1))
    const out = join(newFolder(), 'hill.csv')
    expect(await exported(store, { out })).toMatchObject({ code: 0, out: `3 minutes in ${out}\n`, err: '' })
    const first = readFileSync(out, 'utf8')
    writeFileSync(out, 'mine')
    expect(await exported(store, { out })).toMatchObject({
      code: 2,
      err: `${out} is there already; --force writes over it\n`,
    })
    expect(readFileSync(out, 'utf8')).toBe('mine')
    expect((await exported(store, { out, force: true })).code).toBe(0)
    expect(readFileSync(out, 'utf8')).toBe(first)
  })

  it('is refused in plain words where it cannot be', async () => {
    const store = await storeOf(minutes(at(9), 3, 1))
    const folder = newFolder()
    expect(await exported(store, { out: join(folder, 'no/hill.csv') })).toMatchObject({ code: 2 })
    expect((await exported(store, { of: 'weeks' })).err).toBe(
      '--of weeks: expected minutes, hours, days, hand-over\n',
    )
    expect((await exported(store, { format: 'xls' })).code).toBe(2)
    expect((await exported(store, { format: 'senml', decimal: 'comma' })).err).toMatch(
      /--decimal comma is for CSV/,
    )
    const out = join(folder, 'new.csv')
    expect(await exported(store, { out, channel: ['ozone'] })).toMatchObject({ code: 2 })
    expect(existsSync(out)).toBe(false)
  })
})
