import { describe, expect, test } from 'vitest'
import type { ChannelName } from '../../agent/terms/terms.js'
import { readSettings } from '../../agent/settings/settings.js'
import { base, faultsOf, goodSettings, marks, withAlert } from './support.js'

const instrument = (...keys: string[]): string => `  - ${keys.join('\n    ')}\n`
const dust = 'layout: frames-424d-32'
const withInstrument = (...keys: string[]): string => base.replace('data:', `${instrument(...keys)}data:`)

describe('two instruments', () => {
  test('of the same layout need a slot each', () => {
    expect(marks(withInstrument(dust, 'port: /dev/second'))).toEqual(['8:5 instruments[1].slot missing'])
    const slotted = withInstrument(dust, 'port: /dev/second', 'slot: 2')
    expect(goodSettings(slotted).instruments[1].slot).toBe('2')
    expect(marks(slotted.replace('/dev/sensor', '/dev/sensor\n    slot: 2'))).toEqual([
      '11:11 instruments[1].slot conflict',
    ])
  })

  test('cannot share a port', () => {
    expect(marks(withInstrument('layout: climate', 'port: /dev/sensor'))).toEqual([
      '9:11 instruments[1].port conflict',
    ])
  })

  test('of different layouts need a slot where the layouts give the same channel', () => {
    const layouts = new Map<string, ChannelName[]>([
      ['frames-424d-32', ['pm2_5', 'pm10']],
      ['climate', ['temperature', 'humidity']],
      ['small', ['pm10']],
    ])
    expect(marks(withInstrument('layout: climate', 'port: /dev/b'), layouts)).toEqual([])
    expect(marks(withInstrument('layout: small', 'port: /dev/b'), layouts)).toEqual([
      '8:5 instruments[1].slot missing',
    ])
    const [fault] = faultsOf(withInstrument('layout: climat', 'port: /dev/b'), layouts)
    expect(fault).toMatchObject({
      code: 'unknown-word',
      keyPath: 'instruments[1].layout',
      didYouMean: 'climate',
    })
    expect(marks(withInstrument('layout: own/climat.yaml', 'port: /dev/b'), layouts)).toEqual([])
  })
})

describe('a gauge', () => {
  const gauge = (channels: string, device = 'sun'): string =>
    `  - { kind: hwmon, device: ${device}, channels: { ${channels} } }\n`

  test('takes a file, or a file and a factor, and has the usual folder', () => {
    const text = `${base}gauges:\n${gauge('battery_voltage: in1_input, battery_current: { file: curr1_input, factor: -0.5 }')}`
    expect(goodSettings(text).gauges).toEqual([
      {
        kind: 'hwmon',
        path: '/sys/class/hwmon',
        device: 'sun',
        channels: [
          { channel: 'battery_voltage', file: 'in1_input', factor: 1 },
          { channel: 'battery_current', file: 'curr1_input', factor: -0.5 },
        ],
      },
    ])
  })

  test('takes no file of another quantity, no path, no factor of zero and no empty map', () => {
    const only = (channels: string): string[] => marks(`${base}gauges:\n${gauge(channels)}`)
    expect(only('battery_voltage: curr1_input')).toEqual([
      '11:62 gauges[0].channels.battery_voltage wrong-text',
    ])
    expect(only('solar_power: ../power1_input')).toEqual(['11:58 gauges[0].channels.solar_power wrong-text'])
    expect(only('solar_power: { file: power1_input, factor: 0 }')).toEqual([
      '11:88 gauges[0].channels.solar_power.factor out-of-range',
    ])
    expect(only('solar_power: { factor: 2 }')).toEqual(['11:45 gauges[0].channels.solar_power.file missing'])
    expect(only('solar_power: 7')).toEqual(['11:58 gauges[0].channels.solar_power wrong-kind'])
    expect(only('')).toEqual(['11:43 gauges[0].channels missing'])
  })

  test('of the kind iio gives climate, inside and outside', () => {
    const text = `${base}gauges:\n  - { kind: iio, device: sky, channels: { humidity.outside: in_humidityrelative_input, pressure: in_pressure_input } }\n`
    expect(goodSettings(text).gauges).toEqual([
      {
        kind: 'iio',
        path: '/sys/bus/iio/devices',
        device: 'sky',
        channels: [
          { channel: 'humidity.outside', file: 'in_humidityrelative_input', factor: 1 },
          { channel: 'pressure', file: 'in_pressure_input', factor: 1 },
        ],
      },
    ])
  })

  test('takes no file of another kind of folder', () => {
    const text = `${base}gauges:\n${gauge('temperature: in_temp_input')}`
    expect(marks(text)).toEqual(['11:58 gauges[0].channels.temperature conflict'])
    expect(faultsOf(text)[0].advice).toContain('write kind: iio')
  })

  test('cannot give a channel that another one gives', () => {
    const text = `${base}gauges:\n${gauge('solar_power: power1_input')}${gauge('solar_power: power2_input', 'moon')}`
    expect(marks(text)).toEqual(['12:46 gauges[1].channels.solar_power conflict'])
  })
})

describe('an alert', () => {
  const rule = (...keys: string[]): string => withAlert('rule: a', 'channel: pm2_5', 'average: 1-h', ...keys)

  test('has one level', () => {
    expect(marks(rule())).toEqual(['11:5 alerts[0].above missing'])
    expect(marks(rule('below: 3', 'above: 5'))).toEqual(['15:5 alerts[0].above conflict'])
  })

  test('comes back on the side it came from', () => {
    expect(marks(rule('above: 50', 'back_at: 50'))).toEqual(['15:14 alerts[0].back_at conflict'])
    expect(marks(rule('below: 50', 'back_at: 40'))).toEqual(['15:14 alerts[0].back_at conflict'])
    expect(marks(rule('above: 50', 'back_at: 0'))).toEqual(['15:14 alerts[0].back_at out-of-range'])
  })

  test.each([
    ['pm2_5', 'above: 50', 45],
    ['pm2_5', 'above: 0.1', 0.05],
    ['humidity', 'above: 95', 85.5],
    ['temperature', 'below: -10', -9],
    ['battery_voltage', 'below: 11.8', 12.154],
    ['state_of_charge', 'below: 20', 22],
    ['state_of_charge', 'below: 95', 97.5],
    ['pressure', 'below: 980', 984.9],
  ])('on %s %s comes back at %s unless told otherwise', (channel, level, backAt) => {
    const text = withAlert('rule: a', `channel: ${channel}`, 'average: 1-h', level)
    expect(goodSettings(text).alerts[0].backAt).toBeCloseTo(backAt, 6)
  })

  test('watches a channel that somebody gives', () => {
    const layouts = new Map<string, ChannelName[]>([['frames-424d-32', ['pm2_5', 'pm10', 'pm2_5']]])
    const watching = (channel: string): string =>
      withAlert('rule: a', `channel: ${channel}`, 'average: 1-h', 'above: 5')
    expect(marks(watching('pm10'), layouts)).toEqual([])
    expect(marks(watching('humidity'), layouts)).toEqual(['12:14 alerts[0].channel unknown-word'])
    expect(marks(watching('pm10.2'), layouts)).toEqual(['12:14 alerts[0].channel unknown-word'])
    const slotted = watching('pm10').replace('/dev/sensor', '/dev/sensor\n    slot: roof')
    expect(faultsOf(slotted, layouts)[0].didYouMean).toBe('pm10.roof')
  })
})

describe('an uplink', () => {
  const uplink = (...keys: string[]): string => `${base}uplink:\n${keys.map((key) => `  ${key}\n`).join('')}`

  test('is none unless it is asked for, and none is a healthy setting', () => {
    expect(goodSettings(base).uplink).toEqual({ mode: 'none' })
    expect(goodSettings(uplink('mode: none', 'url: mqtt://broker')).uplink).toEqual({ mode: 'none' })
  })

  test('with an address has a mode, and with mode mqtt an address', () => {
    expect(marks(uplink('url: mqtt://broker'))).toEqual(['10:1 uplink.mode missing'])
    expect(marks(uplink('mode: mqtt'))).toEqual(['10:1 uplink.url missing'])
    expect(marks(uplink('mode: mqtt', 'url: mqtt://broker:0'))).toEqual(['12:8 uplink.url out-of-range'])
    expect(marks(uplink('mode: mqtt', 'url: http://broker'))).toEqual(['12:8 uplink.url wrong-text'])
  })

  test('leaves the client id to the station and its store unless told otherwise', () => {
    const read = goodSettings(uplink('mode: mqtt', 'url: mqtt://broker'))
    expect(read.uplink).not.toHaveProperty('clientId')
    expect(read.uplink).toMatchObject({
      protocol: 5,
      keepaliveSeconds: 1200,
    })
  })

  test('has certificates in pairs and only where they are used, and a user with its password', () => {
    const secure = ['mode: mqtt', 'url: mqtts://broker']
    expect(marks(uplink(...secure, 'cert_file: /c.pem'))).toEqual(['10:1 uplink.key_file missing'])
    expect(marks(uplink(...secure, 'key_file: /k.pem'))).toEqual(['10:1 uplink.cert_file missing'])
    expect(marks(uplink('mode: mqtt', 'url: mqtt://broker', 'ca_file: /c.pem'))).toEqual([
      '13:3 uplink.ca_file conflict',
    ])
    expect(marks(uplink(...secure, 'password_file: /p'))).toEqual(['10:1 uplink.username missing'])
  })

  test.each(['hunter2', '48151623', "'~/48151623'"])(
    'takes no password in place of the file that holds it: %#',
    (typed) => {
      const [fault] = faultsOf(uplink('mode: none', 'username: joe', `password_file: ${typed}`))
      expect(fault).toMatchObject({ line: 13, column: 18 })
      expect(JSON.stringify(fault)).not.toMatch(/hunter2|48151623/)
    },
  )
})

test('what is worth knowing but no fault comes as a note with its place', () => {
  const text = base
    .replace('  time_zone: UTC\n', '')
    .replace('/dev/sensor', '/dev/ttyUSB0')
    .replace('data:', '  - { layout: climate, port: "tcp://host:99", baud: 9600 }\ndata:')
    .concat('uplink: { mode: mqtt, url: "mqtt://broker", username: joe, password_file: /etc/pw }\n')
  const read = readSettings(text, 'north.yaml')
  expect(read).toMatchObject({
    ok: true,
    notes: [
      'north.yaml:2:1 station.time_zone: not given: days are cut at midnight UTC; name the zone for local days',
      'north.yaml:6:11 instruments[0].port: this name may change when adapters are plugged in; prefer the name in /dev/serial/by-id/',
      'north.yaml:7:47 instruments[1].baud: has no effect on this port; it is for serial devices',
      'north.yaml:10:28 uplink.url: the password travels in the clear over mqtt://; use mqtts:// outside your own network',
    ],
  })
})

describe('a box', () => {
  const second = [dust, 'port: /dev/second', 'slot: 2', 'box: fence']
  test('holds two sensors at least', () => {
    expect(marks(withInstrument(...second)).slice(-1)).toEqual(['11:10 instruments[1].box conflict'])
    const both = withInstrument(...second).replace('/dev/sensor', '/dev/sensor\n    box: fence')
    expect(marks(both)).toEqual([])
  })
})

describe('a power cycle', () => {
  const cycle = (...keys: string[]): string =>
    base.replace('/dev/sensor\n', `/dev/sensor\n    power_cycle: { ${keys.join(', ')} }\n`)
  test('is a program with its words, run after five minutes and at most once an hour unless told otherwise', () => {
    expect(goodSettings(cycle('command: [/bin/cycle, hub]')).instruments[0].powerCycle).toEqual({
      command: ['/bin/cycle', 'hub'],
      afterSeconds: 300,
      everyMinutes: 60,
      limitSeconds: 20,
    })
  })

  test('is not a line for a shell, and not run without a pause', () => {
    expect(marks(cycle('command: /bin/cycle hub'))).toEqual([
      '8:29 instruments[0].power_cycle.command wrong-kind',
    ])
    expect(marks(cycle('command: [a]', 'every_min: 0'))).toEqual([
      '8:45 instruments[0].power_cycle.every_min out-of-range',
    ])
  })
})
