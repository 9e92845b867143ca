import { execFileSync } from 'node:child_process'
import { existsSync, mkdirSync, mkdtempSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { beforeEach, describe, expect, it } from 'vitest'
import { SysfsGauge, sysfsUnit } from '../../agent/hardware/gauges.js'
import { findSupplyAlarm, SupplyAlarm } from '../../agent/hardware/supply-alarm.js'
import { believable } from '../../agent/power/power.js'

let root: string
const put = (path: string, text: string): void => {
  mkdirSync(join(root, path, '..'), { recursive: true })
  writeFileSync(join(root, path), text)
}
const gauge = () =>
  new SysfsGauge({
    kind: 'hwmon',
    path: root,
    device: 'made_monitor',
    channels: [
      { channel: 'battery_voltage', file: 'in1_input', factor: 1 },
      { channel: 'battery_current', file: 'curr1_input', factor: -1 },
      { channel: 'solar_power', file: 'power1_input', factor: 1 },
    ],
  })
const values = async (g: SysfsGauge) =>
  Object.fromEntries(
    (await g.read()).map((r) => [r.channel, r.value.ok ? r.value.value : r.value.fault.code]),
  )

beforeEach(() => {
  root = mkdtempSync(join(tmpdir(), 'motepost-gauges-'))
  put('hwmon0/name', 'other\n')
  put('hwmon0/in1_input', '1111\n')
  put('hwmon1/name', 'made_monitor\n')
  put('hwmon1/in1_input', '13120\n')
  put('hwmon1/curr1_input', '250\n')
  put('hwmon1/power1_input', '4200000\n')
})

describe('units of sysfs files (kernel documentation, hwmon, power_supply and iio, 6.1)', () => {
  it.each([
    ['in1_input', 1e-3],
    ['curr1_input', 1e-3],
    ['power1_input', 1e-6],
    ['temp1_input', 1e-3],
    ['voltage_now', 1e-6],
    ['current_now', 1e-6],
    ['power_now', 1e-6],
    ['temp', 0.1],
    ['capacity', 1],
    ['humidity1_input', 1e-3],
    ['in_temp_input', 1e-3],
    ['in_humidityrelative_input', 1e-3],
    ['in_pressure_input', 10],
    ['in_voltage0_raw', 1e-3],
    ['health', undefined],
    ['in_voltage0_scale', undefined],
  ])('%s is brought to V, A, W, C, %% or hPa by %d', (file, unit) => expect(sysfsUnit(file)).toBe(unit))
})

describe('a gauge', () => {
  it('finds its device by name and brings values to V, A and W', async () => {
    const v = await values(gauge())
    expect(v.battery_voltage).toBeCloseTo(13.12, 9)
    expect(v.battery_current).toBeCloseTo(-0.25, 9)
    expect(v.solar_power).toBeCloseTo(4.2, 9)
  })

  it('follows the device when the numbers change, and never reads the other one (PC-38)', async () => {
    const g = gauge()
    await g.read()
    renameSync(join(root, 'hwmon0'), join(root, 'hwmon7'))
    renameSync(join(root, 'hwmon1'), join(root, 'hwmon0'))
    renameSync(join(root, 'hwmon7'), join(root, 'hwmon1'))
    expect((await values(g)).battery_voltage).toBeCloseTo(13.12, 9)
    rmSync(join(root, 'hwmon0'), { recursive: true })
    expect((await values(g)).battery_voltage).toBe('gauge-missing')
  })

  it('has no reading, not 0, from an empty file, text, a missing file or a FIFO that never answers (PC-39)', async () => {
    put('hwmon1/in1_input', '')
    put('hwmon1/curr1_input', 'abc')
    rmSync(join(root, 'hwmon1/power1_input'))
    const g = gauge()
    expect(await values(g)).toEqual({
      battery_voltage: 'gauge-missing',
      battery_current: 'gauge-missing',
      solar_power: 'gauge-missing',
    })
    rmSync(join(root, 'hwmon1/in1_input'))
    execFileSync('mkfifo', [join(root, 'hwmon1/in1_input')])
    expect((await values(g)).battery_voltage).toBe('gauge-missing')
  })

  it('reads a power_supply folder', async () => {
    put('pack/voltage_now', '13300000')
    const g = new SysfsGauge({
      kind: 'power_supply',
      path: root,
      device: 'pack',
      channels: [{ channel: 'battery_voltage', file: 'voltage_now', factor: 1 }],
    })
    expect((await values(g)).battery_voltage).toBeCloseTo(13.3, 9)
  })
})

const checksFile = join(import.meta.dirname, '../../../shared/reference/sound-wind-power-checks.json')
if (!existsSync(checksFile))
  console.info('skipped: sysfs vectors, there is no ../shared beside this checkout')

interface SysfsCheck {
  readonly id: string
  readonly inputs: { readonly files: Record<string, string> }
  readonly expected: Record<string, number>
  readonly tolerance: number
}

describe.runIf(existsSync(checksFile))('the vectors of the kernel documents', () => {
  const all = existsSync(checksFile) ? (JSON.parse(readFileSync(checksFile, 'utf8')) as SysfsCheck[]) : []

  it.each([
    ['sysfs-hwmon-units', 'hwmon', { in1_input: 'in1_v', curr1_input: 'curr1_a', power1_input: 'power1_w' }],
    ['sysfs-hwmon-units', 'hwmon', { temp1_input: 'temp1_c', humidity1_input: 'humidity1_percent' }],
    ['sysfs-power-supply-units', 'power_supply', { voltage_now: 'voltage_v', current_now: 'current_a' }],
    ['sysfs-power-supply-units', 'power_supply', { capacity: 'capacity_percent', temp: 'temp_c' }],
    ['sysfs-iio-units', 'iio', { in_temp_input: 'temp_c', in_humidityrelative_input: 'rh_percent' }],
    ['sysfs-iio-units', 'iio', { in_pressure_input: 'pressure_hpa', in_voltage0_raw: 'voltage0_v' }],
  ] as const)('%s: %s gives the values in the channels units', async (id, kind, wanted) => {
    const check = all.find((one) => one.id === id)!
    const folder = kind === 'iio' ? 'iio:device3' : 'made_monitor'
    put(`${folder}/name`, 'made_monitor\n')
    rmSync(join(root, 'hwmon1'), { recursive: true })
    for (const [file, text] of Object.entries(check.inputs.files)) put(`${folder}/${file}`, text)
    const channels = Object.keys(wanted).map((file) => ({ channel: file, file, factor: 1 }))
    const v = await values(new SysfsGauge({ kind, path: root, device: 'made_monitor', channels }))
    for (const [file, expected] of Object.entries(wanted))
      expect(Math.abs(Number(v[file]) - check.expected[expected]), file).toBeLessThanOrEqual(check.tolerance)
  })
})

describe('a gauge of the industrial I/O class', () => {
  const climate = (...files: string[]) =>
    new SysfsGauge({
      kind: 'iio',
      path: root,
      device: 'made_climate',
      channels: files.map((file) => ({ channel: file, file, factor: 1 })),
    })
  beforeEach(() => put('iio:device0/name', 'made_climate\n'))

  it('brings kPa to hPa, and a pressure that is in hPa already is not believed', async () => {
    put('iio:device0/in_pressure_input', '98.7654\n')
    const [reading] = await climate('in_pressure_input').read()
    expect(reading.value.ok && reading.value.value).toBeCloseTo(987.654, 9)
    const wrong = believable({ channel: 'pressure', value: { ok: true, value: 987.654 * 10 } })
    expect(wrong.ok ? 'believed' : wrong.fault.code).toBe('gauge-absurd')
  })

  it('takes the offset and scale that all channels of a kind share where a channel has none of its own', async () => {
    put('iio:device0/in_voltage0_raw', '1000\n')
    put('iio:device0/in_voltage1_raw', '1000\n')
    put('iio:device0/in_voltage_scale', '2.5\n')
    put('iio:device0/in_voltage1_scale', '5\n')
    put('iio:device0/in_voltage_offset', '-200\n')
    const v = await values(climate('in_voltage0_raw', 'in_voltage1_raw'))
    expect(v.in_voltage0_raw).toBeCloseTo(2, 9)
    expect(v.in_voltage1_raw).toBeCloseTo(4, 9)
  })

  it('counts a missing offset as 0, and gives nothing without a scale or with a spoilt one', async () => {
    put('iio:device0/in_temp_raw', '412\n')
    expect(await values(climate('in_temp_raw'))).toEqual({ in_temp_raw: 'gauge-missing' })
    put('iio:device0/in_temp_scale', '50\n')
    expect((await values(climate('in_temp_raw'))).in_temp_raw).toBeCloseTo(20.6, 9)
    put('iio:device0/in_temp_offset', 'x\n')
    expect(await values(climate('in_temp_raw'))).toEqual({ in_temp_raw: 'gauge-missing' })
    put('iio:device0/in_temp_offset', '0\n')
    put('iio:device0/in_temp_scale', '\n')
    expect(await values(climate('in_temp_raw'))).toEqual({ in_temp_raw: 'gauge-missing' })
  })
})

describe('the kernel file of the supply', () => {
  it('says low, fine or nothing', async () => {
    put('hwmon1/in0_lcrit_alarm', '0\n')
    const path = findSupplyAlarm(root)!
    expect(path).toBe(join(root, 'hwmon1/in0_lcrit_alarm'))
    const alarm = new SupplyAlarm(path)
    expect(await alarm.isLow()).toEqual({ ok: true, value: false })
    put('hwmon1/in0_lcrit_alarm', '1\n')
    expect(await alarm.isLow()).toEqual({ ok: true, value: true })
    put('hwmon1/in0_lcrit_alarm', '?\n')
    expect(await alarm.isLow()).toMatchObject({ ok: false, fault: { code: 'gauge-missing' } })
    rmSync(path)
    expect(await alarm.isLow()).toMatchObject({ ok: false, fault: { code: 'gauge-missing' } })
  })

  it('is not looked for in vain on a board without one', () => {
    expect(findSupplyAlarm(root)).toBeUndefined()
    expect(findSupplyAlarm(join(root, 'nowhere'))).toBeUndefined()
  })
})

describe('what a gauge says', () => {
  it.each([0, 100, -1, NaN])('is not believed at %d V (PC-41)', (value) => {
    const looked = believable({ channel: 'battery_voltage', value: { ok: true, value } })
    expect(looked.ok ? 'believed' : looked.fault.code).toBe('gauge-absurd')
  })
})
