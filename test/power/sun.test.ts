import fc from 'fast-check'
import { getPosition } from 'suncalc'
import { describe, expect, it } from 'vitest'
import {
  cosIncidence,
  cosZenith,
  declinationCooper,
  extraterrestrialDay,
  extraterrestrialSpan,
  onTiltedPlane,
  sunDay,
  sunPosition,
} from '../../agent/power/power.js'
import { utcMillis } from '../../agent/terms/terms.js'

const dayMillis = 86_400_000
const seed = 20261125

describe('where the sun stands', () => {
  it('agrees with suncalc 2.0.2 from the registry over a grid of places and dates', () => {
    let farthest = { elevation: 0, across: 0 }
    let places = 0
    for (let lat = -75; lat <= 75; lat += 15)
      for (let lon = -180; lon < 180; lon += 45)
        for (let day = 0; day < 366 * 12; day += 61) {
          const at = Date.UTC(2015, 0, 1) + day * dayMillis + ((day * 7) % 24) * 3_600_000
          const sun = sunPosition(utcMillis(at), lat, lon)
          if (sun.elevationDegrees < 5) continue
          const theirs = getPosition(new Date(at), lat, lon)
          const turn = ((sun.azimuthDegrees - theirs.azimuth + 540) % 360) - 180
          const across = Math.abs(turn) * Math.cos((sun.elevationDegrees * Math.PI) / 180)
          const elevation = Math.abs(sun.apparentElevationDegrees - theirs.altitude)
          farthest = {
            elevation: Math.max(farthest.elevation, elevation),
            across: Math.max(farthest.across, across),
          }
          places++
        }
    console.info(
      `sun against suncalc 2.0.2, ${places} places and times: at most ${farthest.elevation.toFixed(4)} degrees in ` +
        `elevation, ${farthest.across.toFixed(4)} across the sky`,
    )
    expect(places).toBeGreaterThan(2000)
    expect(farthest.elevation).toBeLessThan(0.02)
    expect(farthest.across).toBeLessThan(0.02)
  })

  it('neither rises nor sets in the polar summer and the polar night, and says when it is highest', () => {
    for (const month of [5, 11]) {
      const noon = utcMillis(Date.UTC(2026, month, 21, 12))
      const day = sunDay(noon, 78, 15)
      expect([day.rise, day.set]).toEqual([undefined, undefined])
      expect(Math.abs(day.transit - (noon - 3_600_000))).toBeLessThan(20 * 60_000)
    }
  })

  it('stands at the horizon at the times told for rise and set, anywhere between the polar circles', () => {
    console.info(`seed ${seed}`)
    fc.assert(
      fc.property(
        fc.double({ min: -60, max: 60, noNaN: true }),
        fc.double({ min: -180, max: 180, noNaN: true }),
        fc.integer({ min: 0, max: 20_000 }),
        (lat, lon, day) => {
          const { rise, set, transit } = sunDay(utcMillis(day * dayMillis), lat, lon)
          expect(rise! < transit && transit < set!).toBe(true)
          for (const at of [rise!, set!])
            expect(Math.abs(sunPosition(at, lat, lon).elevationDegrees + 0.8333)).toBeLessThan(0.01)
        },
      ),
      { seed, numRuns: 200 },
    )
  })
})

describe('energy on planes', () => {
  it('gives the day as the sum of its hours, everywhere', () => {
    fc.assert(
      fc.property(fc.integer({ min: -90, max: 90 }), fc.integer({ min: 1, max: 365 }), (lat, day) => {
        const dec = declinationCooper(day)
        let sum = 0
        for (let hour = 0; hour < 24; hour++)
          sum += extraterrestrialSpan(lat, dec, day, hour * 15 - 180, hour * 15 - 165)
        expect(sum).toBeCloseTo(extraterrestrialDay(lat, dec, day), 6)
      }),
      { seed, numRuns: 200 },
    )
  })

  it('sees a plane tilted to the equator as a level one nearer to it, on both halves of the earth', () => {
    expect(cosIncidence(52, -20, 30, 60, 0)).toBeCloseTo(cosZenith(-8, -20, 30), 12)
    expect(cosIncidence(-52, 20, 30, 60, 180)).toBeCloseTo(cosZenith(8, 20, 30), 12)
  })

  it('leaves a level plane what it was', () => {
    expect(onTiltedPlane(3, 1, 1, 0, 0.7).total).toBe(3)
  })
})
