import { describe, expect, test } from 'vitest'
import { usualPercents } from '../../agent/settings/crosschecks-power.js'
import { chemistries } from '../../agent/power/power.js'
import { base, faultsOf, goodSettings, marks } from './support.js'

const panel = { peak_w: '50', latitude_deg: '46', longitude_deg: '9', tilt_deg: '60' }
const power = (change: Partial<typeof panel> = {}, chemistry = 'lifepo4', ...keys: string[]): string => {
  const place = Object.entries({ ...panel, ...change }).map(([key, value]) => `${key}: ${value}`)
  return `${base}power:
  battery: { chemistry: ${chemistry}, capacity_ah: 40, nominal_v: 12.8 }
  panel: { ${place.join(', ')} }
${keys.map((key) => `  ${key}\n`).join('')}`
}

describe('battery and panel in the settings', () => {
  test('pass as they are usual', () => {
    expect(goodSettings(power()).power?.plan).toBe('continuous')
  })

  test('refuse a panel of 0 W', () => {
    expect(marks(power({ peak_w: '0' }))).toEqual(['12:20 power.panel.peak_w out-of-range'])
  })

  test('refuse latitude 95', () => {
    expect(marks(power({ latitude_deg: '95' }))).toEqual(['12:38 power.panel.latitude_deg out-of-range'])
  })

  test('refuse a chemistry that nobody knows, with the ones that are', () => {
    const [fault] = faultsOf(power({}, 'sulphur'))
    expect(fault).toMatchObject({ keyPath: 'power.battery.chemistry', code: 'unknown-word' })
    expect(fault.advice).toContain('lead-acid, lifepo4')
  })

  test('want exactly one path by which an ended board wakes', () => {
    const off = (...more: string[]) =>
      power({}, 'lifepo4', `board_off: { command: [/bin/off]${more.map((one) => `, ${one}`).join('')} }`)
    const [alarm, other] = ['wake_alarm: /sys/class/rtc/rtc0/wakealarm', 'wake_switch: [/bin/on-in]']
    expect(goodSettings(off(alarm)).power?.boardOff).toMatchObject({ wakeAlarm: expect.any(String) })
    expect(goodSettings(off(other)).power?.boardOff).toMatchObject({ wakeSwitch: ['/bin/on-in'] })
    for (const more of [[], [alarm, other]])
      expect(marks(off(...more))).toEqual(['13:3 power.board_off conflict'])
  })

  test('refuse a reserve that is not above the cut-off, written or usual', () => {
    const both = power({}, 'lifepo4', 'reserve_percent: 20', 'cut_off_percent: 25')
    expect(marks(both)).toEqual(['13:20 power.reserve_percent conflict'])
    expect(faultsOf(both)[0].wrong).toBe('the reserve, 20 %, is not above the cut-off, 25 %')
    expect(marks(power({}, 'lead-acid', 'reserve_percent: 40'))).toEqual([
      '13:20 power.reserve_percent conflict',
    ])
    expect(marks(power({}, 'lifepo4', 'cut_off_percent: 30'))).toEqual([
      '13:20 power.cut_off_percent conflict',
    ])
    expect(marks(power({}, 'lifepo4', 'reserve_percent: 40'))).toEqual([])
  })

  test('refuse a charge to start again at that no battery holds', () => {
    expect(marks(power({}, 'lifepo4', 'reserve_percent: 95'))).toEqual([
      '13:20 power.reserve_percent conflict',
    ])
    expect(marks(power({}, 'lifepo4', 'reserve_percent: 60', 'resume_points: 45'))).toEqual([
      '14:18 power.resume_points conflict',
    ])
  })

  test('tell a wrong reserve once, not beside the cut-off too', () => {
    expect(marks(power({}, 'lifepo4', 'reserve_percent: much', 'cut_off_percent: 25'))).toEqual([
      '13:20 power.reserve_percent not-a-number',
    ])
  })

  test('take the usual percents from the chemistry, as the plan does', () => {
    for (const { name, reservePercent, cutOffPercent } of Object.values(chemistries))
      expect(usualPercents[name]).toEqual({ reserve: reservePercent, cutOff: cutOffPercent })
  })
})
