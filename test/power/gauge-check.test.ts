import { describe, expect, it } from 'vitest'
import {
  checkPower,
  newCheck,
  type CheckState,
  type PowerReading,
  type SunNow,
} from '../../agent/power/power.js'

const spec = { nominalVolts: 12.8, capacityAmpereHours: 20, panelWatts: 50 }
const night: SunNow = { elevationDegrees: -20, clearWatts: 0 }

/** Minutes of the same reading; the codes of the last. */
function after(
  minutes: number,
  reading: PowerReading,
  sunAt: (minute: number) => SunNow | undefined,
): string[] {
  let state: CheckState = newCheck
  let codes: string[] = []
  for (let minute = 0; minute < minutes; minute++) {
    const checked = checkPower(state, reading, spec, sunAt(minute), 60)
    state = checked.state
    codes = checked.faults.map(({ code }) => code)
  }
  return codes
}

describe('what the gauges of battery and panel say', () => {
  it('asks whether the current is turned round when the battery charges for an hour of night, and drops it', () => {
    expect(after(59, { volts: 13, amperes: 0.6 }, () => night)).toEqual([])
    expect(after(70, { volts: 13, amperes: 0.6 }, () => night)).toEqual(['gauge-sign'])
    expect(after(70, { volts: 13, amperes: -0.6 }, () => night)).toEqual([])
    expect(after(70, { volts: 13, amperes: 0.6 }, () => undefined)).toEqual([])
  })

  it('calls a panel stuck that gives the same for hours while the sun climbs, and not one that rests at night', () => {
    const climbing = (minute: number): SunNow => ({ elevationDegrees: 40, clearWatts: minute / 10 })
    expect(after(170, { solarWatts: 20 }, climbing)).toEqual([])
    expect(after(200, { solarWatts: 20 }, climbing)).toEqual(['gauge-stuck'])
    expect(after(800, { solarWatts: 0 }, () => night)).toEqual([])
  })

  it('uses a voltage that jumped once a second one agrees', () => {
    const first = checkPower(newCheck, { volts: 13.2 }, spec, undefined, 60)
    const jumped = checkPower(first.state, { volts: 11.5 }, spec, undefined, 60)
    expect(jumped.reading.volts).toBeUndefined()
    expect(jumped.faults.map(({ code }) => code)).toEqual(['gauge-absurd'])
    const again = checkPower(jumped.state, { volts: 11.4 }, spec, undefined, 60)
    expect([again.reading.volts, again.faults]).toEqual([11.4, []])
  })
})
