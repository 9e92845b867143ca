import { afterAll, describe, expect, it } from 'vitest'
import { averages } from '../../agent/cli/averages.js'
import { dayVerdicts } from '../../agent/cli/status-verdicts.js'
import type { Settings } from '../../agent/settings/settings.js'
import { daySoFar, RunningAverages } from '../../agent/station/running-averages.js'
import type { StationStatus } from '../../agent/station/station.js'
import { columnSet, monoSeconds, utcMillis, type Column } from '../../agent/terms/terms.js'
import { midnight, ran, removeFolders } from '../cli/desk-rig.js'
import { madeStore } from '../cli/figures-rig.js'

afterAll(removeFolders)

const set = columnSet([
  { channel: 'pm2_5', statistic: 'mean', unit: 'ug/m3', decimals: 2, basis: 'measured' },
  { channel: 'pm2_5', statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
] satisfies Column[])
const settings = { limits: { set: 'us-national', own: [], correctionFiles: [] } } as unknown as Settings

/** What `status` says of the day after so many minutes of it; a day before it is held too. */
function atTheStation(at: (minute: number) => number | undefined, minutes: number): string[] {
  const held = new RunningAverages(set, ['pm2_5'], new Set(['pm2_5']))
  const start = 100_000
  for (let i = -1440; i < minutes; i++) {
    const value = i < 0 ? 500 : at(i)
    if (value === undefined) continue
    held.feed(monoSeconds(start + i * 60), 60, 60, Float64Array.of(value, 60))
  }
  const day = daySoFar(utcMillis(midnight + minutes * 60_000), 60)
  const hours = held.hoursOfDay('pm2_5', monoSeconds(start + minutes * 60), day)!
  return dayVerdicts({ day_hours: { pm2_5: hours } } as unknown as StationStatus, settings)
}

async function atTheDesk(at: (minute: number) => number | undefined, minutes: number): Promise<string[]> {
  const store = await madeStore({
    channels: ['pm2_5'],
    from: midnight,
    minutes,
    at: (minute) => {
      const pm2_5 = at(minute)
      return pm2_5 === undefined ? undefined : { values: { pm2_5 } }
    },
  })
  const options = { store, zone: '+01:00', limits: 'us-national', json: true }
  const told = JSON.parse((await ran(() => averages(options))).out) as {
    series: { limits: { title: string }[]; days: { verdicts: { valid: boolean; words: string[] }[] }[] }[]
  }
  const [{ limits, days }] = told.series
  return days[0].verdicts.map(({ valid, words }, i) => {
    const verdict = valid ? `; ${words[1]}` : ''
    return `pm2_5, ${limits[i].title}: ${words[0]}${verdict}`
  })
}

describe('the day so far at the station', () => {
  const cases: Readonly<Record<string, readonly [(minute: number) => number | undefined, number]>> = {
    'a whole day at one level': [() => 36.2, 1440],
    'a whole day of hours that differ': [(minute) => 5 + Math.floor(minute / 60) * 2.5, 1440],
    'a day with a gap and a short hour': [
      (minute) => (minute >= 300 && minute < 340 ? undefined : minute < 700 ? 80 : 10),
      1300,
    ],
    'sampled hours': [(minute) => (minute % 15 < 3 ? 20 + (minute % 15) * 10 : undefined), 1440],
    'thirteen hours': [() => 31.2, 13 * 60],
  }
  for (const [name, [at, minutes]] of Object.entries(cases))
    it(`has the verdicts that the desk comes to: ${name}`, async () => {
      const told = atTheStation(at, minutes)
      expect(told).toHaveLength(2)
      expect(told).toEqual(await atTheDesk(at, minutes))
    })

  it('has none where the settings name no limits', () => {
    const none = { limits: { own: [], correctionFiles: [] } } as unknown as Settings
    expect(dayVerdicts({ day_hours: {} } as unknown as StationStatus, none)).toEqual([])
  })
})
