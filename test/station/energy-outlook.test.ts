import { expect, it } from 'vitest'
import { outlookOf } from '../../agent/station/energy-outlook.js'
import { energyOf } from '../support/station-options.js'

const place = { latitudeDegrees: 52, longitudeDegrees: 0, tiltDegrees: 70, azimuthDegrees: 180 }
const panel = { ...place, panelWatts: 30, yieldShare: 0.75 }
const options = energyOf('protecting', { panel })

it('shadows that were learned make what is kept for the dark days larger, as a panel that is smaller by as much would', () => {
  const { dark } = outlookOf(options, panel)
  const [open, shaded] = [dark(1), dark(0.7)]
  for (const month of [0, 10, 11]) expect(shaded[month]).toBeGreaterThan(open[month])
  for (let month = 0; month < 12; month++) expect(shaded[month]).toBeGreaterThanOrEqual(open[month])
  const smaller = outlookOf(options, { ...panel, panelWatts: 21 }).dark(1)
  for (let month = 0; month < 12; month++) expect(shaded[month]).toBeCloseTo(smaller[month], 6)
  expect(dark(0.72)).toBe(shaded)
})
