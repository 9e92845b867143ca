/**
 * Slate Hollow: an invented quarry with three stations and two days in March in which most things that can happen do.
 * Site time 0 is the midnight before the first whole day.
 */
import type { SitePlan } from './made-site.js'
import type { MadeSpan } from './made-quarry.js'

/** '09:30' of day 0 or 1 as site time. */
export function at(day: number, time: string): number {
  const [hours, minutes] = time.split(':').map(Number)
  return day * 86_400 + hours * 3600 + minutes * 60
}

const span = (day: number, from: string, to: string): MadeSpan => ({ from: at(day, from), to: at(day, to) })

/** What happens when; everything else is weather and work as on any day. */
export const story = {
  switchedOn: at(-1, '23:50'),
  clockTrusted: at(-1, '23:53'),
  setUp: at(-1, '23:55'),
  dryRoad: span(0, '08:40', '10:00'),
  overcast: at(0, '07:30'),
  badCable: { ...span(0, '12:20', '14:40'), station: 'haul-gate' },
  visit: { ...span(0, '15:10', '15:35'), station: 'north-fence' },
  inletCleaned: at(0, '15:25'),
  outage: { ...span(0, '19:05', '23:40'), station: 'haul-gate' },
  fog: span(1, '04:30', '08:00'),
  sun: at(1, '09:30'),
  ends: at(2, '00:00'),
} as const

/** Minutes east of UTC of the made place's standard time. */
export const standardOffsetMinutes = 60
/** The midnight of site time 0, in UTC: 3 March 2026, a Tuesday, 00:00 local standard time. */
export const midnightUtcMillis = Date.UTC(2026, 2, 3) - standardOffsetMinutes * 60_000

const battery = {
  fromSeconds: story.switchedOn,
  startPercent: 88,
  capacityWattHours: 140,
  panelWatts: 40,
  openSkyShare: 1,
  loadWatts: 3.2,
}

/** A day's chance changes with the seed, the story does not. */
export function slateHollow(number: number): SitePlan {
  // The parts take their chance from the seed and small numbers added to it: neighbours must lie far apart.
  const seed = Math.imul(number + 1, 0x9e3779b1)
  const weather = {
    seed,
    meanTemperature: 8,
    dewPoint: -0.8,
    days: {
      [-1]: { cloudShare: 0.8, windFromDegrees: 215, windMetresPerSecond: 3, fogInTheMorning: false },
      0: { cloudShare: 0.97, windFromDegrees: 250, windMetresPerSecond: 5.5, fogInTheMorning: false },
      1: { cloudShare: 0.08, windFromDegrees: 120, windMetresPerSecond: 2, fogInTheMorning: true },
    },
  }
  return {
    seed,
    poweredFrom: story.switchedOn,
    quarry: {
      seed,
      weather,
      shifts: [
        [7, 12],
        [13, 17],
      ],
      restDays: [],
      dryRoad: [{ ...story.dryRoad, times: 17 }],
    },
    stations: [
      {
        name: 'north-fence',
        layout: 'text-lines-example',
        place: {
          bearingDegrees: 350,
          distanceMetres: 180,
          damper: -1.2,
          stirred: [{ ...story.visit, coarse: 420 }],
        },
        battery,
        badCable: [],
        unplugged: [],
      },
      {
        name: 'haul-gate',
        layout: 'frames-aac0-10',
        place: { bearingDegrees: 270, distanceMetres: 90, damper: 0.8, stirred: [] },
        battery: { ...battery, openSkyShare: 0.4 },
        badCable: [{ ...story.badCable, share: 0.4 }],
        unplugged: [],
      },
      {
        name: 'school-lane',
        layout: 'frames-424d-32',
        place: { bearingDegrees: 70, distanceMetres: 260, damper: 0, stirred: [] },
        battery: { ...battery, openSkyShare: 0.85 },
        badCable: [],
        unplugged: [],
      },
    ],
  }
}
