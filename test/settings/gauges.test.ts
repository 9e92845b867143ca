import { describe, expect, it } from 'vitest'
import {
  effectiveSettingsText,
  readGaugeLayout,
  readSettings,
  settingsFaultText,
  type KnownGaugeLayouts,
} from '../../agent/settings/settings.js'
import { loadGaugeLayout, knownGaugeLayouts } from '../../agent/cli/gauge-layouts.js'
import { base, goodSettings } from './support.js'

const regulator = '{ kind: modbus, port: /dev/regulator, address: 7, layout: registers }'
const monitor = '{ kind: text, port: /dev/monitor, layout: lines }'
const layouts: KnownGaugeLayouts = new Map([
  ['registers', { kind: 'modbus', channels: ['battery_voltage', 'battery_current'] }],
  ['meter', { kind: 'modbus', channels: ['solar_power'] }],
  ['lines', { kind: 'text', channels: ['humidity.outside', 'battery_voltage'] }],
])

const withGauges = (...gauges: string[]): string =>
  `${base}gauges:\n${gauges.map((g) => `  - ${g}\n`).join('')}`
const marks = (text: string): string[] => {
  const read = readSettings(text, 'north.yaml', undefined, layouts)
  return read.ok ? [] : read.faults.map(({ keyPath, code }) => `${keyPath} ${code}`)
}

describe('a gauge on a line', () => {
  it('names port, address and layout, and reads back as the same settings', () => {
    const settings = goodSettings(withGauges(regulator.replace('7,', '7, baud: 19200,'), monitor))
    expect(settings.gauges).toEqual([
      { kind: 'modbus', port: '/dev/regulator', address: 7, baud: 19_200, layout: 'registers' },
      { kind: 'text', port: '/dev/monitor', layout: 'lines' },
    ])
    expect(goodSettings(effectiveSettingsText(settings))).toEqual(settings)
  })

  it('is told what its kind lacks, and what it cannot have', () => {
    expect(marks(withGauges('{ kind: modbus, device: x }'))).toEqual([
      'gauges[0].port missing',
      'gauges[0].address missing',
      'gauges[0].layout missing',
      'gauges[0].device conflict',
    ])
    expect(marks(withGauges(monitor.replace('layout', 'address: 3, layout')))).toEqual([
      'gauges[0].address conflict',
    ])
    expect(
      marks(
        withGauges(
          '{ kind: hwmon, device: sun, channels: { constructor: in1_input, battery_voltage: in2_input } }',
        ),
      ),
    ).toEqual(['gauges[0].channels.constructor unknown-key'])
    expect(marks(withGauges('{ kind: hwmon, device: sun }'))).toEqual(['gauges[0].channels missing'])
    expect(marks(withGauges(regulator.replace('7', '248')))).toEqual(['gauges[0].address out-of-range'])
    expect(marks(withGauges(regulator.replace('/dev/regulator', 'file:x.txt')))).toEqual([
      'gauges[0].port conflict',
    ])
  })

  it('is refused with a layout that is not there or of the other kind, and with a channel of another gauge', () => {
    expect(marks(withGauges(regulator.replace('registers', 'register')))).toEqual([
      'gauges[0].layout unknown-word',
    ])
    expect(marks(withGauges(regulator.replace('registers', 'lines')))).toEqual(['gauges[0].layout conflict'])
    expect(marks(withGauges(regulator, monitor))).toEqual(['gauges[1].layout conflict'])
    const files = '{ kind: hwmon, device: sun, channels: { battery_current: curr1_input } }'
    expect(marks(withGauges(regulator, files))).toEqual(['gauges[1].channels.battery_current conflict'])
    expect(marks(withGauges(regulator.replace('registers', 'my/own.yaml')))).toEqual([])
  })

  it('shares its port with other devices of its line at one speed, and with nothing else', () => {
    const meter = '{ kind: modbus, port: /dev/regulator, address: 8, layout: meter }'
    expect(marks(withGauges(regulator, meter))).toEqual([])
    expect(marks(withGauges(regulator, meter.replace('8,', '8, baud: 19200,')))).toEqual([
      'gauges[1].baud conflict',
    ])
    expect(marks(withGauges(meter.replace('/dev/regulator', '/dev/sensor')))).toEqual([
      'gauges[0].port conflict',
    ])
    expect(marks(withGauges(meter, monitor.replace('/dev/monitor', '/dev/regulator')))).toEqual([
      'gauges[1].port conflict',
    ])
  })

  it('can have an alert on what its layout gives, and none on what nobody gives', () => {
    const sensors = new Map([['frames-424d-32', ['pm2_5' as const]]])
    const rule = (channel: string): string =>
      `${withGauges(regulator)}alerts:\n  - { rule: low, channel: ${channel}, average: 1-h, below: 12 }\n`
    const codes = (text: string): string[] => {
      const read = readSettings(text, 'n', sensors, layouts)
      return read.ok ? [] : read.faults.map(({ code }) => code)
    }
    expect(codes(rule('battery_voltage'))).toEqual([])
    expect(codes(rule('state_of_charge'))).toEqual(['unknown-word'])
  })
})

describe('a layout of a gauge', () => {
  const registers = `layout: mine
about: registers
kind: modbus
channels:
  battery_voltage: { register: 5, scale: 0.01 }
  battery_current: { register: 6 }
`
  const wrong = (text: string): string[] => {
    const read = readGaugeLayout(text, 'mine.yaml')
    return read.ok ? [] : read.faults.map(settingsFaultText)
  }

  it('fills in what is usual', () => {
    const usual = { table: 'holding', bits: 16, signed: false, firstWord: 'high' }
    expect(readGaugeLayout(registers, 'mine.yaml')).toEqual({
      ok: true,
      layout: {
        kind: 'modbus',
        name: 'mine',
        about: 'registers',
        baud: 9600,
        channels: [
          { channel: 'battery_voltage', ...usual, register: 5, scale: 0.01 },
          { channel: 'battery_current', ...usual, register: 6, scale: 1 },
        ],
      },
    })
  })

  it.each([
    [
      'register: 5',
      'register: 70000',
      /^mine\.yaml:5:32 channels\.battery_voltage\.register: 70000 is too large/,
    ],
    ['scale: 0.01', 'scale: 0', /^mine\.yaml:5:42 channels\.battery_voltage\.scale: 0 is not allowed/],
    ['scale: 0.01', 'bits: 8', /^mine\.yaml:5:41 channels\.battery_voltage\.bits: 8 is not one of/],
    [
      'scale: 0.01',
      'signd: true',
      /^mine\.yaml:5:35 channels\.battery_voltage\.signd: unknown key.*did you mean signed/,
    ],
    [
      'battery_voltage',
      'batery_voltage',
      /^mine\.yaml:5:3 channels\.batery_voltage: unknown key.*did you mean battery_voltage/,
    ],
    [
      'kind: modbus',
      'kind: modbuss',
      /^mine\.yaml:3:7 kind: "modbuss" is not one of the words.*did you mean modbus/,
    ],
    ['about: registers\n', '', /^mine\.yaml:1:1 about: missing/],
    ['layout: mine', 'layout: &a mine', /^mine\.yaml:1:\d+/],
  ])('with %s in place of %s is refused by file, line, column and key', (from, to, told) => {
    const lines = wrong(registers.replace(from, to))
    expect(lines).toHaveLength(1)
    expect(lines[0]).toMatch(told)
  })

  it.each([
    ['', /empty/],
    ['a: [', /mine\.yaml:1/],
    ['- 1\n', /mine\.yaml:1:1/],
    ['kind: text\n', /pattern: missing/],
  ])('never throws at a file such as %j', (text, told) => {
    expect(wrong(text).join('\n')).toMatch(told)
  })
})

describe('the layouts in config/gauges', () => {
  it('are all well, each under the name of its file', () => {
    const known = [...knownGaugeLayouts().keys()]
    expect(known).toEqual(['example-battery-monitor', 'example-charge-regulator', 'example-text-lines'])
    for (const name of known) {
      const layout = loadGaugeLayout(name)
      expect(layout.ok && layout.value.name).toBe(name)
    }
  })
})
