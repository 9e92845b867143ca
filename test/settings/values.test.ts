import { describe, expect, test } from 'vitest'
import { base, faultsOf, goodSettings, lines, marks, withAlert } from './support.js'

const dust = (above: string): string =>
  withAlert('rule: dust', 'channel: temperature', 'average: 1-h', `above: ${above}`)

/** Field cases PC-76: a value is taken exactly or refused by name, never silently turned into another. */
describe('a threshold', () => {
  test('of zero is zero', () => {
    expect(goodSettings(dust('0')).alerts[0]).toMatchObject({ direction: 'above', level: 0, backAt: -0.1 })
  })

  test.each([
    ["'0'", 'quoted', '"0" is a text, not a number; write it without quotes (0)'],
    ['"35,5"', 'decimal-comma', '"35,5" is not a number; write decimals with a point (35.5)'],
    ['35,5', 'decimal-comma', '"35,5" is not a number; write decimals with a point (35.5)'],
    ["''", 'empty', 'empty; give a value, or take the line away; allowed: -1000000 to 1000000'],
    ["'  '", 'empty', 'empty; give a value, or take the line away; allowed: -1000000 to 1000000'],
    ['1e9', 'out-of-range', '1000000000 is too large; allowed: -1000000 to 1000000'],
    ['.nan', 'out-of-range', 'NaN is no quantity; allowed: -1000000 to 1000000'],
    [
      '35 C',
      'not-a-number',
      '"35 C" is not a number; write the number alone (35); the unit is that of the channel',
    ],
    ['"1.000,5"', 'not-a-number', '"1.000,5" is not a number; allowed: -1000000 to 1000000'],
    ['high', 'not-a-number', '"high" is not a number; allowed: -1000000 to 1000000'],
    ['true', 'wrong-kind', 'true is not a number; allowed: -1000000 to 1000000'],
    ['[35]', 'wrong-kind', 'a list is not a number; allowed: -1000000 to 1000000'],
    ['99', 'out-of-range', 'no value can cross 99 and come back; temperature lies between -60 and 90 (C)'],
  ])('written %s is refused where it stands', (written, code, words) => {
    expect(marks(dust(written))).toEqual([`14:12 alerts[0].above ${code}`])
    expect(lines(dust(written))).toEqual([`north.yaml:14:12 alerts[0].above: ${words}`])
  })

  test('left blank after the colon is refused at its key', () => {
    expect(marks(dust(''))).toEqual(['14:5 alerts[0].above empty'])
  })

  test('that no dust can have is refused', () => {
    for (const level of ['-1', '0', '10000'])
      expect(marks(withAlert('rule: a', 'channel: pm2_5', 'average: 1-h', `above: ${level}`))).toEqual([
        '14:12 alerts[0].above out-of-range',
      ])
  })
})

/** Field cases PC-77: a number in the wrong unit is refused, and the unit guessed. */
describe('a number in another unit than its key says', () => {
  const uplink = (line: string): string => `${base}uplink:\n  mode: none\n  ${line}\n`

  test.each([
    [uplink('keepalive_s: 60000'), '12:16 uplink.keepalive_s milliseconds', '60000 looks like milliseconds'],
    [
      uplink('answer_limit_s: 60000'),
      '12:19 uplink.answer_limit_s milliseconds',
      '60000 looks like milliseconds',
    ],
    [uplink('pack_every_min: 3600'), '12:19 uplink.pack_every_min milliseconds', '3600 looks like seconds'],
    [
      base.replace('/dev/sensor', '/dev/sensor\n    read_every_s: 1000'),
      '8:19 instruments[0].read_every_s milliseconds',
      '1000 looks like milliseconds',
    ],
  ])('is refused: %#', (text, mark, wrong) => {
    expect(marks(text)).toEqual([mark])
    expect(faultsOf(text)[0].wrong).toBe(wrong)
  })

  test('is refused when it is zero where nothing can be zero', () => {
    expect(marks(uplink('answer_limit_s: 0'))).toEqual(['12:19 uplink.answer_limit_s out-of-range'])
    expect(marks(base.replace('/dev/sensor', '/dev/sensor\n    read_every_s: 0'))).toEqual([
      '8:19 instruments[0].read_every_s out-of-range',
    ])
  })

  test('is not taken under a key that names no unit', () => {
    const [fault] = faultsOf(base.replace('/dev/sensor', '/dev/sensor\n    read_every_ms: 1000'))
    expect(fault).toMatchObject({ code: 'unknown-key', line: 8, column: 5, didYouMean: 'read_every_s' })
    expect(marks(uplink('retry: 0'))).toEqual(['12:3 uplink.retry unknown-key'])
  })

  test('keeps off and on apart: a keepalive of zero is off, one of a minute is refused', () => {
    const broker = 'url: mqtt://broker:1883\n  '
    const read = goodSettings(uplink(broker + 'keepalive_s: 0').replace('mode: none', 'mode: mqtt')).uplink
    expect(read).toMatchObject({ keepaliveSeconds: 0 })
    expect(marks(uplink('keepalive_s: 60'))).toEqual(['12:16 uplink.keepalive_s out-of-range'])
  })
})

describe('a switch', () => {
  test.each([
    ["'false'", 'quoted', '"false" is a text, not a switch; write false without quotes'],
    ['"true"', 'quoted', '"true" is a text, not a switch; write true without quotes'],
    ['no', 'wrong-kind', '"no" is not true or false; write false'],
    ['on', 'wrong-kind', '"on" is not true or false; write true'],
    ['0', 'wrong-kind', '0 is not true or false; write false'],
    ['maybe', 'wrong-kind', '"maybe" is not true or false; write true or false'],
  ])('written %s is refused', (written, code, words) => {
    const text = base.replace('/dev/sensor', `/dev/sensor\n    dtr: ${written}`)
    expect(marks(text)).toEqual([`8:10 instruments[0].dtr ${code}`])
    expect(lines(text)[0]).toBe(`north.yaml:8:10 instruments[0].dtr: ${words}`)
  })
})

describe('a word of a closed list', () => {
  test('that is misspelt is refused with the nearest one', () => {
    const [fault] = faultsOf(withAlert('rule: a', 'channel: pm2_5', 'average: 10min', 'above: 50'))
    expect(fault).toMatchObject({ code: 'unknown-word', line: 13, column: 14, didYouMean: '10-min' })
  })

  test('that is like none of them is refused without a guess', () => {
    const [fault] = faultsOf(`${base}clock:\n  trust: quartz\n`)
    expect(fault).toMatchObject({
      code: 'unknown-word',
      keyPath: 'clock.trust',
      advice: 'allowed: auto, system, ntp-file, none',
    })
    expect(fault.didYouMean).toBeUndefined()
  })

  test('that is a number is refused in quotes', () => {
    expect(marks(base.replace('version: 1', "version: '1'"))).toEqual(['1:10 version quoted'])
    expect(marks(base.replace('version: 1', 'version: 2'))).toEqual(['1:10 version unknown-word'])
  })

  test('names a channel the way people write it and is told the right one', () => {
    const rule = (channel: string) => withAlert('rule: a', `channel: ${channel}`, 'average: 1-h', 'above: 50')
    for (const typed of ['pm25', 'PM2.5', 'pm2-5']) expect(faultsOf(rule(typed))[0].didYouMean).toBe('pm2_5')
    expect(faultsOf(rule('wind_from'))[0]).toMatchObject({ code: 'wrong-text', line: 12 })
  })
})

describe('a text', () => {
  test.each([
    ['name: north-fence', 'name: North Fence', '3:9 station.name wrong-text'],
    ['name: north-fence', 'name: [a]', '3:9 station.name wrong-kind'],
    ['name: north-fence', 'name: true', '3:9 station.name wrong-kind'],
    ['name: north-fence', `name: ${'a'.repeat(33)}`, '3:9 station.name wrong-text'],
    ['/dev/sensor', 'COM3', '7:11 instruments[0].port wrong-text'],
    ['/dev/sensor', 'tcp://host', '7:11 instruments[0].port wrong-text'],
    ['/dev/sensor', 'tcp://host:70000', '7:11 instruments[0].port out-of-range'],
    ['/var/lib', '~/lib', '9:11 data.folder wrong-text'],
  ])('that does not fit is refused: %s as %s', (right, wrong, mark) => {
    expect(marks(base.replace(right, wrong))).toEqual([mark])
  })

  test('that looks like a number is kept as it is written where a text belongs', () => {
    const text = base
      .replace('/dev/sensor', '/dev/sensor\n    slot: 1\n    serial: 00417')
      .replace('north-fence', '12')
    expect(goodSettings(text)).toMatchObject({
      station: { name: '12' },
      instruments: [{ slot: '1', serial: '00417' }],
    })
  })
})

/** Field cases PC-80: what would only fail when it is used is looked up when it is read. */
describe('a time zone', () => {
  const zone = (name: string): string => base.replace('UTC', name)

  test('that does not exist is refused by name, with a near one', () => {
    expect(marks(zone('Europe/Nowhere'))).toEqual(['4:14 station.time_zone unknown-zone'])
    expect(faultsOf(zone('Asia/Katmandoo'))[0].didYouMean).toMatch(/^Asia\/Kat/)
  })

  test('is not an offset, which has a key of its own', () => {
    const [fault] = faultsOf(zone("'+02:00'"))
    expect(fault).toMatchObject({ code: 'unknown-zone' })
    expect(fault.advice).toContain('standard_offset_min')
    expect(
      goodSettings(base.replace('time_zone: UTC', 'standard_offset_min: 120')).station.standardOffsetMinutes,
    ).toBe(120)
  })

  test('given twice, or an offset that no zone has, is refused', () => {
    expect(marks(base.replace('UTC', 'UTC\n  standard_offset_min: 60'))).toEqual([
      '5:3 station.standard_offset_min conflict',
    ])
    expect(marks(base.replace('time_zone: UTC', 'standard_offset_min: 2'))).toEqual([
      '4:24 station.standard_offset_min out-of-range',
    ])
  })

  test('a schedule where minutes belong is refused by its key', () => {
    expect(marks(`${base}uplink: { mode: none, pack_every_min: '99 * * * *' }\n`)).toEqual([
      '10:39 uplink.pack_every_min not-a-number',
    ])
  })
})
