import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import type { Notice, Recipient, Telling, WayName } from '../../agent/delivery/contracts.js'
import { isPlain, plainWords } from '../../agent/delivery/plain-words.js'
import { checkTemplate, templateFields, type Template } from '../../agent/delivery/templates.js'
import { Wording, type WordingOptions } from '../../agent/delivery/wording.js'
import { encodeSms, utcMillis } from '../../agent/terms/terms.js'

const seed = 71071
console.info(`wording seed ${seed}`)

const utc = (text: string) => utcMillis(Date.parse(text))
const now = utc('2026-07-14T13:00:30Z')
const ann: Recipient = {
  alias: 'ann',
  ways: [{ way: 'sms', to: '+10000000000', nextAfterSeconds: 600 }],
  least: 'low',
  dailyLine: [],
  mostSmsADay: 10,
  mayAnswer: true,
}
const telling: Telling = { code: 'K7Q4' }
const pm10: Notice = {
  id: '812',
  rule: 'pm10-high',
  state: 'raised',
  priority: 'normal',
  since: utc('2026-07-14T12:32:00Z'),
  facts: {
    channel: 'pm10',
    average: '10-min',
    value: '182.40',
    above: '150',
    back_at: '120',
    data_capture_percent: '98',
    sampled_share_percent: '98',
  },
}
const silent: Notice = {
  id: '813',
  rule: 'no-data',
  state: 'raised',
  priority: 'high',
  since: utc('2026-07-13T23:05:00Z'),
  facts: { words: 'no data from the sensor', detail: 'slot 2', first: 'check plug and supply of the sensor' },
}

function made(
  notice: Notice,
  extra: Partial<Telling> = {},
  way: WayName = 'sms',
  own: Partial<WordingOptions> = {},
) {
  const options: WordingOptions = {
    station: 'north-yard',
    teller: 'station',
    group: 'trial',
    place: { timeZone: 'Europe/Paris', standardOffsetMinutes: 60 },
  }
  const wording = new Wording({ ...options, ...own }, () => now)
  return wording.compose(notice, way, ann, { ...telling, ...extra })
}
const sms = (notice: Notice, extra: Partial<Telling> = {}, own: Partial<WordingOptions> = {}): string =>
  made(notice, extra, 'sms', own).text

const templateOf = (text: string): Template => {
  const checked = checkTemplate(text)
  if (!checked.ok) throw new Error(checked.words)
  return checked.template
}

describe('the words of a message', () => {
  it('say station, what, value with unit and average, level, since when by the watch, data and code', () => {
    expect(sms(pm10)).toBe(
      'north-yard: PM10 10-min mean 182.40 ug/m3 uncorrected, above 150 since 14:32. Data 98%. Code K7Q4',
    )
    const over: Notice = { ...pm10, state: 'over', facts: { ...pm10.facts, value: '97.10' } }
    expect(sms(over)).toBe(
      'north-yard: PM10 back below 120 since 14:32 (10-min mean 97.10 ug/m3 uncorrected). Data 98%. Code K7Q4',
    )
  })

  it('say that it may be fog when it is humid, of dust only', () => {
    const humid = { ...pm10.facts, humidity_percent: '94' }
    expect(sms({ ...pm10, facts: humid })).toContain('Data 98%. RH 94%, may be fog. Code')
    expect(sms({ ...pm10, facts: { ...humid, humidity_percent: '70' } })).not.toContain('fog')
    const battery = {
      channel: 'battery_voltage',
      average: '1-h',
      value: '11.62',
      below: '11.8',
      humidity_percent: '94',
    }
    expect(sms({ ...pm10, facts: battery })).toBe(
      'north-yard: battery voltage 1-h mean 11.62 V, below 11.8 since 14:32. Code K7Q4',
    )
  })

  it('say back above for what was low, never that all is clear', () => {
    const facts = { channel: 'battery_voltage', average: '1-h', value: '12.10', below: '11.8', back_at: '12' }
    expect(sms({ ...pm10, state: 'over', facts })).toContain(
      'battery voltage back above 12 since 14:32 (1-h mean 12.10 V)',
    )
  })

  it('say a raise and its end in one message when nobody was told of the raise', () => {
    const over: Notice = {
      ...pm10,
      id: '830',
      state: 'over',
      since: utc('2026-07-14T12:58:00Z'),
      facts: { ...pm10.facts, value: '97.10' },
    }
    expect(sms(over, { raised: pm10 })).toBe(
      'north-yard: PM10 10-min mean was above 150 ug/m3 from 14:32 (182.40 uncorrected), back below 120 since 14:58 (10-min mean 97.10 ug/m3 uncorrected). Code K7Q4',
    )
    expect(sms({ ...silent, state: 'over' }, { raised: silent })).toContain(
      'no data from the sensor from 01:05; over since 01:05.',
    )
  })

  it('say a trouble with its detail and what to do first, and its end', () => {
    expect(sms(silent)).toBe(
      'north-yard: no data from the sensor since 01:05: slot 2. First: check plug and supply of the sensor. Code K7Q4',
    )
    expect(sms({ ...silent, state: 'over' })).toBe(
      'north-yard: over since 01:05: no data from the sensor. Code K7Q4',
    )
  })

  it('name the day of what did not begin today, and nothing where the time is not known', () => {
    expect(sms({ ...pm10, since: utc('2026-07-12T12:32:00Z') })).toContain('since 12 Jul 14:32')
    expect(sms({ ...pm10, since: utc('2025-12-31T23:30:00Z') })).toContain('since 1 Jan 00:30')
    expect(sms({ ...pm10, since: utc('2025-12-31T22:30:00Z') })).toContain('since 31 Dec 2025 23:30')
    expect(sms({ ...pm10, since: undefined })).toContain('above 150. Data')
  })

  it('keep to the winter time of a fixed offset where no zone is given', () => {
    expect(sms(pm10, {}, { place: { standardOffsetMinutes: 60 } })).toContain('since 13:32')
  })

  it('tell beside the alert who acknowledged, that it chatters and that this was the last SMS', () => {
    const text = sms(pm10, { chatters: 3, acknowledgedBy: 'bo', lastToday: true })
    expect(text).toContain('Raised 3 times')
    expect(text).toContain('Last SMS today. Code K7Q4')
    expect(encodeSms(text).parts).toHaveLength(1)
    expect(sms({ ...silent, facts: { words: 'no data' } }, { acknowledgedBy: 'bo' })).toContain(
      'Acknowledged by bo.',
    )
  })

  it('put several alerts into one message and say how many there are', () => {
    const many = Array.from({ length: 9 }, (_, i) => (i % 2 ? silent : { ...pm10, state: 'over' as const }))
    const text = sms({ ...pm10, rule: 'summary', state: 'word' }, { summary: many })
    expect(text).toMatch(/^north-yard: 9 alerts: PM10 back below 120; no data from the sensor; /)
    expect(text).toMatch(/Code K7Q4$/)
    expect(encodeSms(text).parts).toHaveLength(1)
  })

  it('say each day that the station lives, with its means, data, battery and trouble', () => {
    const daily: Notice = {
      ...pm10,
      rule: 'daily',
      state: 'word',
      facts: { means: 'PM2.5 12.30, PM10 20.10 ug/m3', data_capture_percent: '99', battery: '12.74 V' },
    }
    expect(sms(daily)).toBe(
      'north-yard: alive 14 Jul 15:00. 24-h mean PM2.5 12.30, PM10 20.10 ug/m3 uncorrected, data 99%. Battery 12.74 V. No trouble.',
    )
    expect(sms({ ...daily, facts: { troubles: 'no data' } })).toContain('no 24-h mean. Trouble: no data.')
  })
})

describe('an SMS', () => {
  it('fits one message in plain letters whatever the station is called', () => {
    const station = 'Käse µ[°]€'.repeat(20)
    for (const notice of [pm10, silent, { ...pm10, state: 'over' as const }])
      for (const extra of [{}, { chatters: 12, acknowledgedBy: 'somebody-else', lastToday: true }]) {
        const { text, parts } = made(notice, extra, 'sms', { station })
        expect(isPlain(text), text).toBe(true)
        expect(parts, text).toBe(1)
        expect(text).toMatch(/Code K7Q4$/)
      }
  })

  it('is UCS-2 only where a name has no plain form, and then at most three parts', () => {
    const { text, parts } = made(pm10, {}, 'sms', { station: 'двор' })
    expect(text).toMatch(/^двор: PM10 .* Code K7Q4$/)
    expect(encodeSms(text).alphabet).toBe('ucs-2')
    expect(parts).toBe(2)
    expect(made(pm10, {}, 'sms', { station: 'двор'.repeat(300) }).parts).toBeLessThanOrEqual(3)
  })

  it('turns every character of common keyboards into a plain one that means the same', () => {
    expect(plainWords('25 °C, 12 µg/m³, 3 × 5 – “Łódź”\n[50°]')).toBe(
      '25 C, 12 ug/m3, 3 x 5 - "Lodz" (50 deg )',
    )
  })

  it('fits whatever the facts hold, with the code at its end', () => {
    const facts = fc.dictionary(
      fc.constantFrom(
        'words',
        'detail',
        'first',
        'value',
        'unit',
        'channel',
        'average',
        'above',
        'humidity_percent',
      ),
      fc.string({ unit: fc.constantFrom(...'aZ09 .,µ°€[]é\n"'), maxLength: 160 }),
    )
    const states = fc.constantFrom('raised' as const, 'over' as const, 'word' as const)
    const property = fc.property(facts, states, fc.boolean(), (given, state, merged) => {
      const notice: Notice = { ...pm10, state, facts: given }
      const { text, parts } = made(notice, merged ? { raised: notice, lastToday: true } : {})
      expect(parts, text).toBe(1)
      expect(text).toMatch(/K7Q4$/)
    })
    fc.assert(property, { seed, numRuns: 2000 })
  })
})

describe('mails and webhooks', () => {
  it('have a subject, what to do first, and how to acknowledge and mute', () => {
    const { subject, text } = made(silent, {}, 'email')
    expect(subject).toBe('north-yard: no data from the sensor')
    expect(text).toContain('First: check plug and supply of the sensor.')
    expect(text).toContain('motepost alerts --acknowledge K7Q4')
    expect(text).toContain('--mute no-data --for 12')
    expect(text).not.toContain('+10000000000')
  })

  it('give a program rule, state, code, times and figures, and no address', () => {
    const { facts } = made(pm10, { acknowledgedBy: 'bo' }, 'webhook')
    expect(facts).toEqual({
      v: 1,
      station: 'north-yard',
      group: 'trial',
      number: '812',
      rule: 'pm10-high',
      state: 'raised',
      priority: 'normal',
      code: 'K7Q4',
      since: '2026-07-14T12:32:00Z',
      sent: '2026-07-14T13:00:30Z',
      acknowledged_by: 'bo',
      facts: pm10.facts,
    })
  })
})

describe('own templates', () => {
  it('say what they say, with ug/m3 however it was written and no gap where a field is empty', () => {
    const templates = { raised: templateOf('{station} {what} {value} µg/m³ {fog} > {limit} {code}') }
    expect(sms(pm10, {}, { templates })).toBe('north-yard PM10 182.40 ug/m3 > 150 K7Q4')
    expect(sms(silent, {}, { templates })).toContain('no data from the sensor since')
  })

  it('are refused with an unknown field, a lost brace, no word, or more than a message holds', () => {
    const words = (text: string): string => {
      const checked = checkTemplate(text)
      return checked.ok ? 'taken' : checked.words
    }
    expect(words('{station} {colour}')).toMatch(/^\{colour\} is no field; there are: station, /)
    expect(words('{station')).toMatch(/without its other/)
    expect(words('station}')).toMatch(/without its other/)
    expect(words('{toString}')).toMatch(/no field/)
    expect(words(' ')).toBe('it says nothing')
    expect(words('a'.repeat(481))).toMatch(/longer than 480/)
  })

  it('are counted in SMS with every field at its longest', () => {
    expect(checkTemplate('{station}: {what} {value} {code}')).toMatchObject({
      ok: true,
      sms: 1,
      alphabet: '7-bit',
    })
    expect(checkTemplate('Станция {station}: {what} {value} {code}')).toMatchObject({
      sms: 2,
      alphabet: 'ucs-2',
    })
    const all = Object.keys(templateFields)
      .map((field) => `{${field}}`)
      .join(' ')
    expect(checkTemplate(all)).toMatchObject({ sms: 3, alphabet: '7-bit' })
  })
})
