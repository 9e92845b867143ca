/** That a trial is long enough: by the station's own hours of its modem, minute by minute. */
import { describe, expect, it } from 'vitest'
import { trialSeconds } from '../../agent/cli/trial-time.js'
import { FaultBoard } from '../../agent/health/health.js'
import type { Settings } from '../../agent/settings/settings.js'
import { ModemHours } from '../../agent/station/modem-hours.js'
import { monoSeconds, utcMillis } from '../../agent/terms/terms.js'
import { base, goodSettings } from '../settings/support.js'

const mqtt = (more: string, power = ''): Settings =>
  goodSettings(`${base}uplink: { mode: mqtt, url: 'mqtt://b.example', ${more} }\n${power}`)
const withModem = (modem: string, more = ''): Settings =>
  mqtt(
    more,
    `power: { battery: { chemistry: lifepo4, capacity_ah: 20, nominal_v: 12.8 }, modem: { ${modem} } }\n`,
  )

const minute = 60
const day = 1440 * minute

/** Minutes of `days` in which a station with these settings may connect. */
function openMinutes(settings: Settings, days: number): boolean[] {
  const { everyMinutes, onMinutes, fromHours, toHours } = settings.power!.modem!
  const options = {
    everyMinutes,
    onMinutes,
    fromHours: fromHours,
    toHours: toHours,
    standardOffsetMinutes: 60,
  }
  const start = Date.UTC(2026, 2, 1)
  const at = (now: number) => utcMillis(start + now * 1000)
  const hours = new ModemHours(options, undefined, new FaultBoard(() => undefined), at, () => undefined)
  return Array.from({ length: days * 1440 }, (_, i) => hours.mayConnect(monoSeconds(i * minute), false))
}

/** Stretches of at least so many open minutes that lie whole within [from, to). */
function wholeWindows(open: readonly boolean[], from: number, to: number, atLeast: number): number {
  let windows = 0
  for (let at = from, length = 0; at < to; at++) {
    const isWhole = length > 0 || at === 0 || !open[at - 1]
    length = open[at] && isWhole ? length + 1 : 0
    if (length > 0 && !open[at + 1] && at + 1 <= to && length >= atLeast) windows++
  }
  return windows
}

describe('the time of a trial', () => {
  it('is two hours at least, and two intervals of packs', () => {
    expect(trialSeconds(mqtt(''))).toBe(2 * 3600)
    expect(trialSeconds(mqtt('pack_every_min: 180'))).toBe(6 * 3600)
    expect(trialSeconds(mqtt('pack_every_min: 1440'))).toBe(2 * day)
    expect(trialSeconds(goodSettings(base))).toBe(2 * 3600)
  })

  it.each([
    'every_min: 60, on_min: 10',
    'every_min: 60, on_min: 10, from_h: 6, to_h: 18',
    'every_min: 180, on_min: 15, from_h: 7, to_h: 20',
    'every_min: 45, on_min: 5, from_h: 20, to_h: 2',
    'every_min: 100, on_min: 20, from_h: 9, to_h: 11',
    'every_min: 7, on_min: 3, from_h: 12, to_h: 13',
    'every_min: 1440, on_min: 60',
  ])('holds two whole windows of the modem, whenever it begins: %s', (modem) => {
    const settings = withModem(modem)
    const seconds = trialSeconds(settings)!
    const open = openMinutes(settings, 30)
    const { onMinutes } = settings.power!.modem!
    const fewest = Array.from({ length: 1440 * 8 }, (_, from) =>
      wholeWindows(open, from, from + seconds / minute, Math.min(5, onMinutes)),
    )
    expect(Math.min(...fewest)).toBeGreaterThanOrEqual(2)
    expect(seconds).toBeLessThanOrEqual(7 * day)
  })

  it('is longer where each pack connects anew and may wait for a window each time', () => {
    const kept = trialSeconds(
      withModem('every_min: 60, on_min: 10, from_h: 6, to_h: 18', 'pack_every_min: 720'),
    )
    const anew = trialSeconds(
      withModem(
        'every_min: 60, on_min: 10, from_h: 6, to_h: 18',
        'pack_every_min: 720, connection: per-pack',
      ),
    )
    // From a window missed at 17:00 to the end of the first one at 06:10, twice, and twelve hours each time.
    expect([kept, anew]).toEqual([day, 2 * (12 * 3600 + 13 * 3600 + 600)])
  })

  it('is none where the modem has no window, or hardly ever one: who pushed that could never confirm', () => {
    // The rhythm begins at midnight, outside of its hours.
    expect(trialSeconds(withModem('every_min: 1440, on_min: 10, from_h: 6, to_h: 18'))).toBeUndefined()
    expect(trialSeconds(withModem('every_min: 1439, on_min: 10, from_h: 6, to_h: 7'))).toBeUndefined()
  })
})
