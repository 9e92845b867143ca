import { describe, expect, test } from 'vitest'
import { base, faultsOf, goodSettings, lines, marks, withAlert } from './support.js'

describe('a key', () => {
  test('that is misspelt is refused with the right one, and the right one is not told missing as well', () => {
    expect(lines(base.replace('  name:', '  nmae:'))).toEqual([
      'north.yaml:3:3 station.nmae: unknown key; allowed here: name, group, time_zone, standard_offset_min (did you mean name?)',
    ])
    expect(marks(withAlert('rule: a', 'channel: pm2_5', 'average: 1-h', 'abov: 5'))).toEqual([
      '14:5 alerts[0].abov unknown-key',
    ])
  })

  test('without its unit is refused with the whole name', () => {
    expect(faultsOf(`${base}health:\n  every: 60\n`)[0].didYouMean).toBe('every_min')
    expect(faultsOf(`${base}uplink:\n  pack_every: 60\n`)[0].didYouMean).toBe('pack_every_min')
  })

  test('in the wrong group is told where it belongs', () => {
    expect(faultsOf(`${base}keepalive_s: 1200\n`)[0]).toMatchObject({
      line: 10,
      didYouMean: 'uplink.keepalive_s',
    })
    expect(faultsOf(base.replace('data:', 'baud: 9600\ndata:'))[0].didYouMean).toBe('instruments[…].baud')
  })

  test('given twice is refused at the second place, whatever it says', () => {
    expect(marks(base.replace('  name: north-fence', '  name: north-fence\n  name: north-fence'))).toEqual([
      '4:3 station.name duplicate-key',
    ])
  })

  test('that is required and missing is told at its parent', () => {
    expect(marks(base.replace('  name: north-fence\n', ''))).toEqual(['2:1 station.name missing'])
    expect(marks(base.replace('    port: /dev/sensor\n', ''))).toEqual(['6:5 instruments[0].port missing'])
    expect(marks('version: 1\n')).toEqual([
      '1:1 station missing',
      '1:1 instruments missing',
      '1:1 data missing',
    ])
  })

  test('that holds a password is refused without showing it', () => {
    for (const key of ['password', 'Passwd', 'token']) {
      const text = `${base}uplink:\n  mode: none\n  ${key}: hunter2\n`
      expect(marks(text)).toEqual([`12:3 uplink.${key} secret`])
      expect(lines(text)[0]).toContain('password_file')
      expect(lines(text)[0]).not.toContain('hunter2')
    }
    const mail = 'server: mail.example.org, from: a@example.org, password: hunter2'
    const text = `${base}delivery:\n  recipients: []\n  mail: { ${mail} }\n`
    const [line] = lines(text).filter((one) => one.includes('secret') || one.includes('never written'))
    expect(line).toContain('name that file: delivery.mail.password_file')
    const [here] = lines(`${base}site:\n  password: hunter2\n`)
    expect(here).toContain('leave it out')
  })

  test('may stand in any order', () => {
    const [version, station, data] = [
      'version: 1\n',
      'station: { time_zone: UTC, name: north-fence }\n',
      'data: { folder: /var/lib/motepost }\n',
    ]
    const instruments = 'instruments: [{ port: /dev/sensor, layout: frames-424d-32 }]\n'
    expect(goodSettings(data + instruments + station + version)).toEqual(goodSettings(base))
  })

  test.each(['__proto__', 'constructor', 'toString', 'hasOwnProperty'])(
    'called %s is an unknown key like any other',
    (key) => {
      expect(marks(`${base}${key}: 1\n`)).toEqual([`10:1 ${key} unknown-key`])
      expect(marks(base.replace('  folder', `  ${key}: { a: 1 }\n  folder`))).toEqual([
        `9:3 data.${key} unknown-key`,
      ])
    },
  )
})

describe('a group or list', () => {
  test('in place of the other is refused', () => {
    expect(marks(`${base}gauges:\n  kind: hwmon\n`)).toEqual(['11:3 gauges wrong-kind'])
    expect(marks(base.replace('data:\n  folder', 'data:\n  - folder'))).toEqual(['9:3 data wrong-kind'])
    expect(marks(base.replace('data:\n  folder: /var/lib/motepost', 'data: /var/lib/motepost'))).toEqual([
      '8:7 data wrong-kind',
    ])
    expect(marks('- version: 1\n')).toEqual(['1:1  wrong-kind'])
  })

  test('that is empty is refused, and an empty list of gauges or alerts is not', () => {
    expect(marks(`${base}alerts:\n`)).toEqual(['10:1 alerts empty'])
    expect(marks(base.replace(/instruments:\n.*\n.*\n/, 'instruments: []\n'))).toEqual([
      '5:14 instruments out-of-range',
    ])
    expect(goodSettings(`${base}alerts: []\ngauges: []\n`).alerts).toEqual([])
  })

  test('that is too long is refused', () => {
    const nine = Array.from(
      { length: 9 },
      (_, i) => `  - { layout: frames-424d-32, port: /dev/s${i}, slot: s${i} }\n`,
    )
    expect(marks(base.replace(/ {2}- layout.*\n.*\n/, nine.join('')))).toEqual([
      '6:3 instruments out-of-range',
    ])
  })
})

test('several faults are told at once, each where it stands, in the order of the file', () => {
  const text = `version: 1
station:
  name: North Fence
  time_zone: Europe/Nowhere
instruments:
  - layout: frames-424d-32
    port: /dev/sensor
    read_every_s: 1000
    scaling: atmosferic
gauges:
  - kind: hwmon
    device: sun
    channels: { battery_voltage: { fiel: in1_input }, solar: power1_input, solar_power: in1_input }
data:
  folder:
alerts:
  - rule: dust
    channel: pm2_5
    average: 1-h
    above: "35,5"
    back_at: 40
  - rule: dust
    channel: pm10.9
    average: 24-h
    above: 50
    back_at: 60
    priority: hihg
uplink:
  mode: mqtt
  url: mqtt://joe:hun/ter2@broker
`
  expect(marks(text)).toEqual([
    '3:9 station.name wrong-text',
    '4:14 station.time_zone unknown-zone',
    '8:19 instruments[0].read_every_s milliseconds',
    '9:14 instruments[0].scaling unknown-word',
    '13:36 gauges[0].channels.battery_voltage.fiel unknown-key',
    '13:55 gauges[0].channels.solar unknown-key',
    '13:89 gauges[0].channels.solar_power wrong-text',
    '15:3 data.folder empty',
    '20:12 alerts[0].above decimal-comma',
    '22:11 alerts[1].rule conflict',
    '23:14 alerts[1].channel unknown-word',
    '26:14 alerts[1].back_at conflict',
    '27:15 alerts[1].priority unknown-word',
    '30:8 uplink.url wrong-text',
  ])
  expect(lines(text).join('\n')).not.toMatch(/hun|ter2|joe/)
  expect(lines(text).every((line) => !line.includes('\n'))).toBe(true)
})

test('a hundred faults are told, and how many follow', () => {
  const text = base + Array.from({ length: 150 }, (_, i) => `zzz${i}: 1\n`).join('')
  const faults = faultsOf(text)
  expect(faults).toHaveLength(100)
  expect(faults[99].advice).toContain('and 50 more faults below')
})
