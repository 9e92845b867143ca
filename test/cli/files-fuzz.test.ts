/**
 * Files that people write, get from others, or edit by hand: each is read to an end in bounded work, refused with file, place and
 * words, or is what would be written of it again. Settings stand in test/settings/random.test.ts.
 */
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { parse, stringify } from 'yaml'
import { readPasswordHash } from '../../agent/cli/open-doors-guard.js'
import { eventsLines, isEventsFile, readEventsFile } from '../../agent/cli/import-events.js'
import { isSeriesFile, readSeriesFile, seriesLines } from '../../agent/cli/import-series.js'
import { importLog } from '../../agent/cli/import.js'
import { loadCorrection, loadLimitSet } from '../../agent/cli/limits-files.js'
import { readTextFile } from '../../agent/cli/read-text.js'
import { correctionPlain, readCorrection } from '../../agent/limits/limits.js'
import {
  readCollectorSettings,
  readGaugeLayout,
  readPushed,
  readRegister,
  readSettings,
  settingsFaultText,
  unreadableYaml,
  type SettingsFault,
} from '../../agent/settings/settings.js'
import { must, throughAll, throughAllInTurn, type Mutations } from '../support/mutations.js'
import { ran } from './desk-rig.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-files-fuzz-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))
const config = (name: string): string => readFileSync(join(import.meta.dirname, '../../config', name), 'utf8')
const configsIn = (name: string): string[] =>
  readdirSync(join(import.meta.dirname, '../../config', name)).map((file) => config(`${name}/${file}`))

/** A text of YAML bent as a text, or with one value of it odd. */
const bentYaml = (mutations: Mutations, text: string): string =>
  mutations.once(2) ? mutations.bentText(text) : stringify(mutations.bentPart(parse(text) as unknown))

function holdsFaults(faults: readonly SettingsFault[], text: string): string {
  must(faults.length > 0 && faults.length < 5000, `${faults.length} faults`)
  const last = text.split('\n').length
  for (const fault of faults) {
    const words = settingsFaultText(fault)
    must(/^f\.yaml:\d+:\d+[^\n\r]*$/.test(words) && words.length < 1500, words)
    must(fault.line >= 1 && fault.line <= last && fault.column >= 1, words)
  }
  return 'refused'
}

const register = `stations:
  - station: gate
    name: North gate
    latitude: 51.5
    longitude: -1.25
    height_m: 2.5
    sources: [{ name: quarry, bearing: 270, distance_m: 800 }]
    deployments: [{ place: fence, from: 2026-03-01, to: 2026-04-01 }]
    notes: [mown in May]
  - station: ridge
`

describe('YAML that anybody wrote', () => {
  const readers: readonly (readonly [
    string,
    readonly string[],
    (text: string) => { readonly ok: boolean; readonly faults?: readonly SettingsFault[] },
  ])[] = [
    ['a register', [register], (text) => readRegister(text, 'f.yaml')],
    [
      'settings of a collector',
      [config('collector.example.yaml')],
      (text) => readCollectorSettings(text, 'f.yaml'),
    ],
    ['a gauge layout', configsIn('gauges'), (text) => readGaugeLayout(text, 'f.yaml')],
  ]
  it.each(readers)('as %s is read, or refused with all that is wrong at its place', (what, texts, read) => {
    const ends = throughAll({
      what,
      inputs: 300,
      make: (mutations) => bentYaml(mutations, mutations.of(texts)),
      hold: (text) => {
        const outcome = read(text)
        return outcome.ok ? 'read' : holdsFaults(outcome.faults ?? [], text)
      },
    })
    expect(ends.get('read')).toBeGreaterThan(10)
    expect(ends.get('refused')).toBeGreaterThan(100)
  })

  it('as settings from afar changes open keys only, whatever is pushed', () => {
    const own = config('example.yaml')
    const pushed =
      'data:\n  flush_every_s: 600\nalerts: []\nhealth:\n  every_min: 20\nuplink:\n  pack_every_min: 30\nlog:\n  level: warn\n'
    const before = readSettings(own, 'own.yaml')
    if (!before.ok) throw new Error('the example is refused')
    const closedOf = (settings: typeof before.settings) =>
      JSON.stringify([
        settings.station.name,
        settings.data.folder,
        settings.data.mustBeMounted,
        settings.runtime,
        settings.instruments.map(({ port }) => port),
        settings.gauges.length,
      ])
    throughAll({
      what: 'pushed settings',
      inputs: 120,
      make: (mutations) => bentYaml(mutations, mutations.of([pushed, own])),
      hold: (text) => {
        const outcome = readPushed({ own, pushed: text }, 'f.yaml')
        if (!outcome.ok) return holdsFaults(outcome.faults, text)
        must(closedOf(outcome.settings) === closedOf(before.settings), 'a closed key was changed')
        return 'taken'
      },
    })
  })

  it('as limits and corrections is a fault of one text, or what would be written of it', () => {
    const limits = [config('limits/who-2021.yaml')]
    const correction = stringify({
      ...{
        name: 'c',
        channel: 'pm2_5',
        serial: '0017',
        kind: 'linear',
        intercept: -1.5,
        slope: 0.9,
        lowest: 0,
        highest: 150,
      },
      ...{ most_humidity_percent: 80, made: '2026-03-01', source: 'side by side' },
    })
    const file = join(folder, 'who-2021.yaml')
    const ends = throughAll({
      what: 'limits and corrections',
      inputs: 500,
      make: (mutations) => {
        const isLimits = mutations.once(2)
        return { isLimits, text: bentYaml(mutations, isLimits ? mutations.of(limits) : correction) }
      },
      hold: ({ isLimits, text }) => {
        writeFileSync(file, text)
        const read = isLimits ? loadLimitSet(file) : loadCorrection(file)
        if (!read.ok) {
          must(
            read.fault.detail.includes('who-2021.yaml') && read.fault.detail.length < 100_000,
            read.fault.detail,
          )
          return 'refused'
        }
        if (isLimits) return 'limits'
        const again = readCorrection(correctionPlain(read.value as Parameters<typeof correctionPlain>[0]))
        must(
          again.ok && JSON.stringify(again.value) === JSON.stringify(read.value),
          'written again it is another',
        )
        return 'correction'
      },
    })
    expect(ends.get('correction')).toBeGreaterThan(10)
    expect(ends.get('limits')).toBeGreaterThan(10)
  })

  it('is looked through before any parser sees it: depth, parts and size are bounded', () => {
    throughAll({
      what: 'texts before the parser',
      inputs: 250,
      make: (mutations) =>
        mutations
          .of(['[', '- ', '? ', '{a: ', '&a ', 'a: ', '\n', ' ', '!!x ', '"'])
          .repeat(1 + mutations.pick(4000)) + mutations.bentText(register),
      hold: (text) => {
        const why = unreadableYaml(text)
        if (why !== undefined) must(/^\d+:\d+: /.test(why), why)
        readRegister(text, 'f.yaml')
        return why === undefined ? 'parsed' : 'refused unread'
      },
    })
  })
})

describe('a file of figures that anybody wrote', () => {
  const series = [
    'start (motepost series 1),seconds,pm2_5 (ug/m3),temperature (C)',
    '2026-03-01T00:00:00+01:00,3600,12.5,',
    '2026-03-01T01:00:00+01:00,3600,,-3.25',
    '2026-03-01T02:00:00+01:00,3600,1e-7,4',
    '',
  ].join('\n')
  const events =
    'start (motepost events 1),end,kind,words\n2026-03-01T00:00:00+00:00,2026-03-01T00:10:00+00:00,blast,"north face, small"\n'

  it('as a series is what would be written of it, or refused with its line', () => {
    const file = join(folder, 's.series.csv')
    const ends = throughAll({
      what: 'series files',
      inputs: 2500,
      make: (mutations) => mutations.bentText(series),
      hold: (text) => {
        writeFileSync(file, text)
        if (!isSeriesFile(file)) return 'none'
        const read = readSeriesFile(file)
        if (!read.ok) {
          must(/^\S+s\.series\.csv:\d+: /.test(read.words), read.words)
          return 'refused'
        }
        const { starts, values, stepSeconds } = read.value
        must(stepSeconds > 0 && stepSeconds <= 31 * 86_400, `steps of ${stepSeconds} s`)
        must(
          values.every((column) => column.every((value) => Math.abs(value) !== Infinity)),
          'no number',
        )
        must(
          starts.every((start, i) => Math.abs(start) < 8.64e15 && (i === 0 || start > starts[i - 1])),
          'no times',
        )
        writeFileSync(file, [...seriesLines(read.value)].join(''))
        const again = readSeriesFile(file)
        must(
          again.ok && JSON.stringify(again.value) === JSON.stringify(read.value),
          'written again it is another',
        )
        return 'read'
      },
    })
    expect(ends.get('read')).toBeGreaterThan(30)
    expect(ends.get('refused')).toBeGreaterThan(100)
  })

  it('as events is what would be written of it, or refused with its line', () => {
    const file = join(folder, 'e.events.csv')
    throughAll({
      what: 'events files',
      inputs: 2000,
      make: (mutations) => mutations.bentText(events),
      hold: (text) => {
        writeFileSync(file, text)
        if (!isEventsFile(file)) return 'none'
        const read = readEventsFile(file)
        if (!read.ok) {
          must(read.words.includes('e.events.csv'), read.words)
          return 'refused'
        }
        writeFileSync(file, [...eventsLines(read.value)].join(''))
        const again = readEventsFile(file)
        must(
          again.ok && JSON.stringify(again.value.activities) === JSON.stringify(read.value.activities),
          'written again it is another',
        )
        return 'read'
      },
    })
  })

  it('as a log is imported, or refused in words, and what is written is a series', async () => {
    const logs = [
      'time,pm10,pm2.5\n2026-03-01 00:00,12,3\n2026-03-01 01:00,13,4\n2026-03-01 02:00,14,5\n',
      'Datum;Uhrzeit;PM10 [mg/m³]\n01.03.2026;01:00;0,012\n01.03.2026;24:00;0,013\n',
    ]
    const ends = await throughAllInTurn({
      what: 'logs',
      inputs: 250,
      make: (mutations) => mutations.bent(Buffer.from(mutations.of(logs))),
      hold: async (log) => {
        const into = mkdtempSync(join(folder, 'log-'))
        writeFileSync(join(into, 'log.csv'), log)
        const { code, out, err } = await ran(() =>
          importLog(join(into, 'log.csv'), { into, zone: '+00:00', label: 'start', step: '3600' }),
        )
        const written = join(into, 'log.series.csv')
        const isThere = readdirSync(into).includes('log.series.csv')
        must([0, 1, 2].includes(code) && out.length + err.length < 100_000, `${code}: ${err}`)
        must(!/\bat \S+ \(|TypeError|RangeError/.test(out + err), err)
        if (isThere) must(isSeriesFile(written) && readSeriesFile(written).ok, 'no series was written')
        rmSync(into, { recursive: true })
        return isThere ? 'written' : `refused (${code})`
      },
    })
    expect(ends.get('written')).toBeGreaterThan(30)
  })
})

describe('a small file that anybody wrote', () => {
  it('as a password is one line of ours or none, and as a text no larger than may be', () => {
    const hash = `scrypt:16384:8:1:${Buffer.alloc(16, 7).toString('base64')}:${Buffer.alloc(32, 9).toString('base64')}`
    const file = join(folder, 'text')
    throughAll({
      what: 'password files',
      inputs: 2000,
      make: (mutations) => mutations.bentText(hash),
      hold: (text) => {
        const read = readPasswordHash(text)
        if (read) must(read.salt.length === 16 && read.key.length === 32, 'no hash')
        writeFileSync(file, text)
        const most = 100
        const whole = readTextFile(file, most)
        must(whole.ok === Buffer.byteLength(text) <= most, 'not by its size')
        return read ? 'read' : 'none'
      },
    })
  })
})
