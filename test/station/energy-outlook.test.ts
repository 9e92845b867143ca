import { expect, it } from 'vitest'
import { chemistries, usualRules } from '../../agent/power/power.js'
import { outlookOf } from '../../agent/station/energy-outlook.js'
import type { StationOptions } from '../../agent/station/station.js'

const place = { latitudeDegrees: 52, longitudeDegrees: 0, tiltDegrees: 70, azimuthDegrees: 180 }
const panel = { ...place, panelWatts: 30, yieldShare: 0.75 }
const options: NonNullable<StationOptions['energy']> = {
  battery: {
    chemistry: chemistries.lifepo4,
    capacityAmpereHours: 40,
    nominalVolts: 12.8,
    gaugeGainError: 0.02,
    gaugeOffsetAmperes: 0.08,
  },
  panel,
  load: { boardWatts: 1, sensorWatts: 0.5, modemWatts: 0 },
  plan: {
    plan: 'protecting',
    rules: { ...usualRules, ...chemistries.lifepo4 },
    richerWhenAlerted: false,
    standardOffsetMinutes: 0,
  },
}

it('shadows that were learned make what is kept for the dark days larger, as a panel that is smaller by as much would', () => {
  const { dark } = outlookOf(options, panel)
  const [open, shaded] = [dark(1), dark(0.7)]
  for (const month of [0, 10, 11]) expect(shaded[month]).toBeGreaterThan(open[month])
  for (let month = 0; month < 12; month++) expect(shaded[month]).toBeGreaterThanOrEqual(open[month])
  const smaller = outlookOf(options, { ...panel, panelWatts: 21 }).dark(1)
  for (let month = 0; month < 12; month++) expect(shaded[month]).toBeCloseTo(smaller[month], 6)
  expect(dark(0.72)).toBe(shaded)
})
