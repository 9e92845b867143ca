/** agent/delivery/SMS-TEXTS.md shows the SMS of each rule at its longest; here it is made, and each is held to one SMS. */
import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { builtInRules, troubleRules, type AlertRule } from '../../agent/alerts/alerts.js'
import { Wording, type Notice, type Recipient, type Telling } from '../../agent/delivery/delivery.js'
import {
  encodeSms,
  faultCatalogue,
  particleRuleNames,
  troubleRuleNames,
  utcMillis,
  type TroubleRuleName,
} from '../../agent/terms/terms.js'

const page = join(import.meta.dirname, '../../agent/delivery/SMS-TEXTS.md')

/** As long as settings let a name be. */
const station = 'the-longest-name-of-a-station-32'
const now = utcMillis(Date.parse('2027-01-01T00:00:00Z'))
/** Neither today nor this year by the watch: day, month and year are said. */
const since = utcMillis(Date.parse('2026-12-31T23:59:00Z'))
const code = 'W9W9'
const place = { standardOffsetMinutes: 0 }
const wording = new Wording({ station, teller: 'station', group: 'group', place }, () => now)
const ofGroup = new Wording({ station, teller: 'collector', group: station, place }, () => now)
const someone: Recipient = {
  alias: 'someone',
  ways: [{ way: 'sms', to: '+15550100', nextAfterSeconds: 600 }],
  least: 'low',
  dailyLine: [],
  mostSmsADay: 10,
  mayAnswer: true,
}

interface Row {
  readonly rule: string
  readonly state: string
  readonly text: string
  readonly parts: number
}

function rowOf(state: string, notice: Notice, more: Partial<Telling> = {}, by = wording): Row {
  const { text, parts = 0 } = by.compose(notice, 'sms', someone, { code, ...more })
  return { rule: notice.rule, state, text, parts }
}

function rowsOf(rule: string, facts: Readonly<Record<string, string>>): readonly Row[] {
  const notice = (state: Notice['state']): Notice => ({
    id: '1',
    rule,
    state,
    priority: 'high',
    since,
    facts,
  })
  const raised = notice('raised')
  return [
    rowOf('raised', raised),
    rowOf('raised, with all that may be said beside it', raised, {
      chatters: 99,
      acknowledgedBy: 'a-recipient-of-32-small-letters-a',
      lastToday: true,
    }),
    rowOf('over', notice('over')),
    rowOf('raised and over in one', notice('over'), { raised }),
  ]
}

/** Values far beyond any that was seen, in a damp night. */
const levelFacts = ({ rule, channel, average, level, backAt }: AlertRule): Record<string, string> => ({
  rule,
  channel,
  average,
  value: 'at least 9999.90',
  above: `${level}.5`,
  back_at: `${backAt}.5`,
  data_capture_percent: '100',
  sampled_share_percent: '100',
  humidity_percent: '100',
})

/** With two sensors in the box the channel says which. */
const particleRows = (): readonly Row[] =>
  builtInRules(['pm10.1', 'pm2_5.1'], [], { pm10: 150, pm2_5: 35 }, []).flatMap((rule) =>
    rowsOf(rule.rule.replace(/-1$/, ''), levelFacts(rule)),
  )

/** What the measured conditions say; the others tell a fault, whose detail is cut at 100 characters. */
const measured: Readonly<Partial<Record<TroubleRuleName, Readonly<Record<string, string>>>>> = {
  'falling-baseline': { detail: 'pm2_5.1: cleanest air 199.9, was 499.9 ug/m3' },
  battery: { detail: 'at its reserve in 2.9 days', value: '100', unit: '%' },
  backlog: { value: '9999999', unit: 'lines' },
  'link-down': { value: '9999', unit: 'h' },
  'restart-loop': { value: '9999', unit: 'starts' },
  'case-temperature': { value: '-40', unit: 'C' },
  'case-open': {},
  'sensor-aging': { detail: 'frames-424d-32 in slot 2', value: '99999', unit: 'h' },
  'sensor-old': { detail: 'frames-424d-32 in slot 2', value: '99999', unit: 'h' },
}

function troubleFacts(rule: TroubleRuleName): Record<string, string> {
  const { words, firstThing, codes } = troubleRules[rule]
  const faults = codes.map((fault) => faultCatalogue[fault].words).sort((a, b) => b.length - a.length)
  const fault = `${faults[0] ?? 'frames-424d-32 in slot 2'}: /dev/serial/by-id/${'a-long-name-of-an-adapter-'.repeat(4)}`
  return { words, first: firstThing, ...(measured[rule] ?? { detail: fault.slice(0, 100) }) }
}

const word = (rule: string, facts: Readonly<Record<string, string>> = {}): Notice => ({
  id: '1',
  rule,
  state: 'word',
  priority: 'low',
  facts,
})

function ownRows(): readonly Row[] {
  const several = troubleRuleNames.map((rule) => ({
    ...word(rule, troubleFacts(rule)),
    state: 'raised' as const,
  }))
  const means = ['PM2.5 (1)', 'PM10 (1)', 'PM2.5 (2)', 'PM10 (2)'].map((of) => `${of} 99.9`).join(', ')
  const troubles = `99 (${faultCatalogue['sensor-silent'].words}; ${faultCatalogue['charge-unknown'].words})`
  const battery = '12.74 V, 100%'
  const names = `${[station, station, station].join(', ')} and 9999 more`
  const others = ['silent', 'trouble', 'suspect', 'late'].map((state) => `${state}: ${names}`).join('; ')
  const ofStations = { stations: '9999 stations, 9999 well', not_well: others, troubles }
  return [
    rowOf('all troubles at once', word('summary'), { summary: several, lastToday: true }),
    rowOf(
      'daily line',
      word('daily', { means: `${means} ug/m3`, data_capture_percent: '100', battery, troubles }),
    ),
    rowOf('daily line of a collector', word('daily', ofStations), {}, ofGroup),
    rowOf('test message', word('test')),
  ]
}

const rows = [
  ...particleRows(),
  ...troubleRuleNames.flatMap((rule) => rowsOf(rule, troubleFacts(rule))),
  ...ownRows(),
]

const text = `# SMS text of every rule at its longest

Written by \`UPDATE_README=1 npx vitest run test/structure\`; the test holds each text to one SMS of 160 characters of the 7-bit
alphabet. The station has the longest name that settings allow, values, times and details are as long as they can be, and a
value is told in fog. What does not fit is said shorter or left out, from the least to the most needed (\`sms-fit.ts\`): what to
do first, who acknowledged, data capture, the mean after a raise that is over, detail, humidity, the end of the station's name;
never what is wrong, the value, the level, the time or the code. Names that have no plain letters at all take UCS-2, and then up to three SMS.

| rule | state | characters | text |
| --- | --- | --- | --- |
${rows.map((row) => `| ${row.rule} | ${row.state} | ${encodeSms(row.text).units} | ${row.text} |`).join('\n')}
`

describe('the SMS of every rule at its longest', () => {
  it('fits one SMS in plain letters, says which station, and ends with the code', () => {
    const rules = [...particleRuleNames, ...troubleRuleNames, 'summary', 'daily', 'test']
    expect([...new Set(rows.map(({ rule }) => rule))]).toEqual(rules)
    for (const row of rows) {
      expect(row.parts, row.text).toBe(1)
      expect(row.text, row.rule).toMatch(/^the-longes[\x20-\x7e]*$/)
      if (row.rule !== 'daily' && row.rule !== 'test') expect(row.text).toContain(` Code ${code}`)
    }
  })

  it('keeps the value, its average, unit, level and time, and that it is uncorrected', () => {
    for (const row of rows.filter(
      ({ rule, state }) => /^pm/.test(rule) && state !== 'raised and over in one',
    ))
      expect(row.text).toMatch(/(10-min|1-h|24-h) mean at least 9999\.90 ug\/m3 uncorrected/)
    for (const { text: said, rule } of rows.filter(({ state }) => state.startsWith('raised')))
      expect(said, rule).toContain('31 Dec 2026 23:59')
  })

  it('is the table of agent/delivery/SMS-TEXTS.md (UPDATE_README=1 writes it anew)', () => {
    if (process.env.UPDATE_README) writeFileSync(page, text)
    const widest = Math.max(...rows.map((row) => encodeSms(row.text).units))
    console.info(`SMS texts: ${rows.length}, the longest has ${widest} of 160 characters`)
    expect(existsSync(page)).toBe(true)
    expect(readFileSync(page, 'utf8')).toBe(text)
  })
})
