import { describe, expect, it } from 'vitest'
import {
  chargingVolts,
  checkPower,
  chemistries,
  newCheck,
  type CheckState,
  type PowerReading,
  type SunNow,
} from '../../agent/power/power.js'

const spec = { nominalVolts: 12.8, capacityAmpereHours: 20, panelWatts: 50, chargingVolts: 13.76 }
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

it('tells charging by a voltage between a full battery at rest and the one that it is charged to', () => {
  const battery = { capacityAmpereHours: 20, gaugeGainError: 0, gaugeOffsetAmperes: 0 }
  const of = (name: 'lifepo4' | 'lead-acid', nominalVolts: number): number =>
    chargingVolts({ ...battery, chemistry: chemistries[name], nominalVolts })
  expect(of('lifepo4', 12.8)).toBeCloseTo(13.76)
  expect(of('lead-acid', 12)).toBeCloseTo(13.355)
  expect(of('lead-acid', 24)).toBeCloseTo(26.71)
})

describe('what the gauges of battery and panel say', () => {
  it('asks whether the current is turned round when the battery charges for an hour of night, and drops it', () => {
    expect(after(59, { volts: 13, amperes: 0.6 }, () => night)).toEqual([])
    expect(after(70, { volts: 13, amperes: 0.6 }, () => night)).toEqual(['gauge-sign'])
    expect(after(70, { volts: 13, amperes: -0.6 }, () => night)).toEqual([])
    expect(after(70, { volts: 13, amperes: 0.6 }, () => undefined)).toEqual([])
  })

  it('finds a turned current by day too: no battery gives at a voltage that only charging reaches', () => {
    const noon: SunNow = { elevationDegrees: 50, clearWatts: 40 }
    const charged = (amperes: number) => after(70, { volts: 14.2, amperes }, () => noon)
    expect(charged(-2)).toEqual(['gauge-sign'])
    expect(charged(2)).toEqual([])
    // Nothing of the sun need be known for it.
    expect(after(70, { volts: 14.2, amperes: -2 }, () => undefined)).toEqual(['gauge-sign'])
    // A load larger than the panel, and an offset of the gauge at the end of charging.
    expect(after(600, { volts: 13.1, amperes: -2 }, () => noon)).toEqual([])
    expect(charged(-0.1)).toEqual([])
  })

  it('asks nothing about a charger that needs no sun', () => {
    expect(after(600, { volts: 14.2, amperes: 2 }, () => night)).toEqual([])
  })

  it('leaves a turned current out through the day that says nothing of it, until an hour of night is right', () => {
    let state: CheckState = newCheck
    const look = (minutes: number, amperes: number, sun: SunNow) => {
      let checked = checkPower(state, { volts: 13, amperes }, spec, sun, 0)
      for (let minute = 0; minute < minutes; minute++) {
        checked = checkPower(state, { volts: 13 + (minute % 2) / 100, amperes }, spec, sun, 60)
        state = checked.state
      }
      return checked
    }
    expect(look(60, 0.6, night).reading.amperes).toBeUndefined()
    const day = look(120, -1.5, { elevationDegrees: 20, clearWatts: 10 })
    expect([day.reading.amperes, day.faults.map(({ code }) => code)]).toEqual([undefined, ['gauge-sign']])
    // Its wires are turned round.
    expect(look(59, -0.6, night).reading.amperes).toBeUndefined()
    expect(look(1, -0.6, night)).toMatchObject({ reading: { amperes: -0.6 }, faults: [] })
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
