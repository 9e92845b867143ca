/**
 * Gauges on lines of their own, with real parts: the built `motepost run` and `motepost check`, a made Modbus device and a
 * device that prints text, each behind a pty.
 */
import { execFile } from 'node:child_process'
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { FieldRig, program } from '../support/field-rig.js'
import { startSlave, type MadeSlave } from '../support/modbus-slave.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

const minute = 60_000
const limitSeconds = 60

let rig: FieldRig
let wire: PtyPair
let slave: MadeSlave
let climate: PtyPair
let printing: NodeJS.Timeout

const layout = (voltScale: number): string => `layout: regulator
about: registers of a made device
kind: modbus
channels:
  battery_voltage: { table: input, register: 0, scale: ${voltScale} }
  battery_current: { table: input, register: 1, signed: true, scale: 0.01 }
  solar_power: { table: input, register: 2, bits: 32, first_word: low, scale: 0.01 }
`
const humidity = `layout: damp
about: lines of a made device
kind: text
pattern: 'RH=(?<damp>\\d+\\.\\d)'
every_s: 5
channels:
  humidity.outside: { group: damp }
`
const file = (name: string): string => join(rig.folder, name)

const newest = (channel: string): number | undefined => rig.records.at(-1)?.values[`${channel}:mean`]
const until = (
  what: string,
  channel: string,
  value: number | undefined,
  limit = limitSeconds,
): Promise<void> => waitFor(what, () => rig.records.length > 0 && newest(channel) === value, limit)

/** The made device must be able to answer meanwhile. */
const check = (): Promise<string> =>
  new Promise((resolve) =>
    execFile(process.execPath, [program, 'check', '--settings', rig.settingsFile], (_, said) =>
      resolve(said),
    ),
  )

beforeEach(async () => {
  rig = await FieldRig.make()
  wire = await startPtyPair()
  climate = await startPtyPair()
  slave = startSlave(wire)
  slave.registers[4] = { 0: 1312, 1: 0xffff - 49, 2: 2050, 3: 0 }
  printing = setInterval(() => climate.feed(Buffer.from('RH=45.5\r\n')), 200)
  writeFileSync(file('regulator.yaml'), layout(0.01))
  writeFileSync(file('damp.yaml'), humidity)
  rig.writeSettings({
    settings: `gauges:
  - { kind: modbus, port: '${wire.sensor}', address: 1, layout: '${file('regulator.yaml')}' }
  - { kind: text, port: '${climate.sensor}', layout: '${file('damp.yaml')}' }
power:
  battery: { chemistry: lifepo4, capacity_ah: 20, nominal_v: 12.8 }
`,
  })
  rig.feedFrames()
})

describeWith(['socat'], 'gauges on lines of their own [rig]', () => {
  afterEach(async (context) => {
    clearInterval(printing)
    slave.end()
    await rig.end(context.task.result?.state === 'fail')
    await wire.end()
    await climate.end()
  })

  it(
    'registers and text lines stand in the records, through silence, an unplugged wire and a layout that is edited',
    async () => {
      rig.start()
      await until('a voltage of the registers', 'battery_voltage', 13.12)
      await until('a current below zero', 'battery_current', -0.5)
      await until('power of two registers', 'solar_power', 20.5)
      await until('humidity of the lines', 'humidity.outside', 45.5)
      await waitFor('a charge by them', () => (newest('state_of_charge') ?? 0) > 0, limitSeconds)

      slave.mood = 'silent'
      await until('a record without it', 'battery_voltage', undefined)
      await rig.untilLog('no answer', limitSeconds)
      expect(newest('humidity.outside')).toBe(45.5)
      slave.mood = 'well'
      slave.registers[4][0] = 1297
      await until('its voltage again', 'battery_voltage', 12.97)

      await wire.unplug()
      await rig.untilLog('port-gone', limitSeconds)
      await until('a record without the wire', 'battery_voltage', undefined)
      await wire.replug()
      await until('its voltage once more', 'battery_voltage', 12.97, 2 * limitSeconds)

      writeFileSync(file('regulator.yaml'), layout(0.02))
      slave.registers[4][0] = 655
      await until('the voltage by the edited layout', 'battery_voltage', 13.1)
      expect(rig.records.filter((record) => record.values['battery_voltage:mean'] === 0)).toEqual([])
    },
    6 * minute,
  )

  it(
    'check reads them once, names line and key of a layout that is wrong, and leaves the ports to a running agent',
    async () => {
      const said = await check()
      expect(said).toContain('battery_voltage reads 13.12 V')
      expect(said).toContain('solar_power reads 20.5 W')
      expect(said).toContain('humidity.outside reads 45.5 %RH')
      rig.start()
      await until('a voltage of the registers', 'battery_voltage', 13.12)
      expect(await check()).toContain(`${wire.sensor} device 1 is read by the running agent`)
      await rig.stop()
      writeFileSync(file('regulator.yaml'), layout(0))
      expect(await check()).toContain('regulator.yaml:5:56 channels.battery_voltage.scale: 0 is not allowed')
    },
    3 * minute,
  )
})
