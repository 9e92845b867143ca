import { execFileSync } from 'node:child_process'
import { mkdirSync, mkdtempSync, renameSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { beforeEach, describe, expect, it } from 'vitest'
import { SysfsGauge, sysfsUnit } from '../../agent/hardware/gauges.js'
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

describe('units of sysfs files (kernel documentation, hwmon and power_supply, 6.1)', () => {
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
    ['health', undefined],
  ])('%s is brought to V, A, W, C or %% by %d', (file, unit) => expect(sysfsUnit(file)).toBe(unit))
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

describe('what a gauge says', () => {
  it.each([0, 100, -1, NaN])('is not believed at %d V (PC-41)', (value) => {
    const looked = believable({ channel: 'battery_voltage', value: { ok: true, value } })
    expect(looked.ok ? 'believed' : looked.fault.code).toBe('gauge-absurd')
  })
})
