import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { ModbusBus } from '../../agent/hardware/modbus-bus.js'
import { blocksOf, ModbusGauge, type RegisterChannel } from '../../agent/hardware/modbus-gauge.js'
import { serialLine } from '../../agent/hardware/serial-line.js'
import type { LineFactory } from '../../agent/terms/terms.js'
import { crc16, startSlave, withCrc, type MadeSlave } from '../support/modbus-slave.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'

const at = (channel: string, register: number, more: Partial<RegisterChannel> = {}): RegisterChannel => ({
  channel,
  table: 'input',
  register,
  bits: 16,
  signed: false,
  firstWord: 'high',
  scale: 0.01,
  ...more,
})
const channels = [
  at('battery_voltage', 0),
  at('battery_current', 1, { signed: true }),
  at('solar_power', 2, { bits: 32, firstWord: 'low' }),
  at('state_of_charge', 10, { table: 'holding', scale: 1 }),
]

let pty: PtyPair
let slave: MadeSlave
let bus: ModbusBus
const words = async (gauge: ModbusGauge) =>
  Object.fromEntries(
    (await gauge.read()).map(({ channel, value }) => [
      channel,
      value.ok ? Number(value.value.toFixed(6)) : `${value.fault.code}: ${value.fault.detail}`,
    ]),
  )

beforeEach(async () => {
  pty = await startPtyPair()
  slave = startSlave(pty)
  slave.registers = { 4: { 0: 1312, 1: 0xffff - 249, 2: 0x86a0, 3: 0x0001 }, 3: { 10: 87 } }
  bus = new ModbusBus(serialLine(pty.sensor, 9600))
})
afterEach(async () => {
  slave.end()
  await bus.close()
  await pty.end()
})

it('the checksum of the made device is that of the published specification', () => {
  // Modbus over Serial Line V1.02, appendix B, and the usual nine digits; both from memory.
  expect(crc16(Buffer.from('123456789'))).toBe(0x4b37)
  expect([...withCrc([0x02, 0x07])]).toEqual([0x02, 0x07, 0x41, 0x12])
})

describe('a gauge of registers on a real pseudo-terminal', () => {
  it('gives its channels with sign, word order and scale, in one request a table', async () => {
    expect(await words(new ModbusGauge(bus, 1, channels))).toEqual({
      battery_voltage: 13.12,
      battery_current: -2.5,
      solar_power: 1000,
      state_of_charge: 87,
    })
    expect(slave.requests.map((request) => request[1]).sort()).toEqual([3, 4])
  })

  it('finds the answer behind the noise of a wire', async () => {
    slave.mood = 'noisy'
    expect((await words(new ModbusGauge(bus, 1, channels))).battery_voltage).toBe(13.12)
  })

  it.each([
    ['wrong checksum' as const, /^gauge-missing: .*wrong checksum/],
    ['silent' as const, /^gauge-missing: .*no answer/],
    [{ exception: 1 }, /^gauge-missing: .*does not know this kind of request/],
    [{ exception: 2 }, /^gauge-missing: .*no such register/],
    [{ exception: 3 }, /^gauge-missing: .*refuses so many registers/],
    [{ exception: 4 }, /^gauge-missing: .*it failed/],
  ])('says what is wrong of a device that is %o, and works again after it', async (mood, said) => {
    const gauge = new ModbusGauge(bus, 1, channels)
    slave.mood = mood
    for (const value of Object.values(await words(gauge))) expect(value).toMatch(said)
    slave.mood = 'well'
    expect((await words(gauge)).battery_voltage).toBe(13.12)
  })

  it('asks a silent device once a minute, not once a table', async () => {
    slave.mood = 'silent'
    await words(new ModbusGauge(bus, 1, channels))
    expect(slave.requests.length).toBe(1)
  })

  it('is asked beside another device on the same open port, one after the other', async () => {
    const both = [new ModbusGauge(bus, 1, channels), new ModbusGauge(bus, 9, channels)]
    const [here, other] = await Promise.all(both.map(words))
    expect(here.battery_voltage).toBe(13.12)
    expect(other.battery_voltage).toMatch(/device 9: no answer/)
  })

  it('says that the line was lost, and reads again when the adapter is back', async () => {
    const gauge = new ModbusGauge(bus, 1, channels)
    expect((await words(gauge)).battery_voltage).toBe(13.12)
    await pty.unplug()
    expect((await words(gauge)).battery_voltage).toMatch(/^port-gone/)
    await pty.replug()
    expect((await words(gauge)).battery_voltage).toBe(13.12)
  })
})

it('a port that is missing is said so and tried again later and later', async () => {
  let tries = 0
  let now = 0
  const missing: LineFactory = {
    name: 'made',
    open: () => {
      tries++
      return Promise.resolve({ ok: false, fault: { code: 'port-missing', detail: 'made' } })
    },
  }
  const gauge = new ModbusGauge(new ModbusBus(missing, () => now), 1, channels)
  for (; now < 3600; now += 60) expect((await words(gauge)).solar_power).toBe('port-missing: made')
  console.info(`tries of a missing port in an hour: ${tries}`)
  expect(tries).toBeGreaterThan(5)
  expect(tries).toBeLessThan(15)
})

it('registers far apart are asked in more than one request, and never more than 125 at once', () => {
  expect(blocksOf([at('battery_voltage', 0), at('solar_power', 12), at('pressure', 300)])).toEqual([
    { table: 'input', register: 0, count: 13 },
    { table: 'input', register: 300, count: 1 },
  ])
  const many = Array.from({ length: 200 }, (_, i) => at('temperature', i))
  expect(blocksOf(many).every(({ count }) => count <= 125)).toBe(true)
})
