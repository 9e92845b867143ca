import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { episodes, type EpisodesOptions } from '../../agent/cli/episodes.js'
import { midnight, newFolder, ran, removeFolders, siteEntry, storeOf } from './desk-rig.js'
import { episodesText, explainLines, madeStore, rerun, type MadeMinute } from './figures-rig.js'

afterAll(removeFolders)

const zone = '+01:00'
const hourOf = (minute: number): number => Math.floor(minute / 60)

interface Told {
  readonly series: readonly {
    readonly above: number
    readonly above_source: string
    readonly episodes: readonly (Record<string, unknown> & { from: string; to: string; wind: unknown })[]
  }[]
}

async function told(store: string, options: EpisodesOptions = {}): Promise<Told['series'][number]> {
  const { out } = await ran(() => episodes({ store, zone, json: true, ...options }))
  return (JSON.parse(out) as Told).series[0]
}

/** A day of 10, but 80 in some hours; more channels as told. */
const dusty = (
  hours: readonly number[],
  more: (minute: number) => Record<string, number> = () => ({}),
  gone: readonly number[] = [],
) =>
  madeStore({
    channels: ['pm2_5', ...Object.keys(more(0))],
    from: midnight,
    minutes: 1440,
    at: (minute): MadeMinute | undefined =>
      gone.includes(hourOf(minute))
        ? undefined
        : { values: { pm2_5: hours.includes(hourOf(minute)) ? 80 : 10, ...more(minute) } },
  })

describe('episodes', () => {
  it('are told with start, end, length, mean, peak and data capture', async () => {
    const { episodes: found } = await told(await dusty([5, 6, 7, 15]), { above: '50' })
    expect(found).toHaveLength(2)
    expect(found[0]).toMatchObject({
      from: '2026-03-03T05:00:00+01:00',
      to: '2026-03-03T08:00:00+01:00',
      hours: 3,
      mean: 80,
      peak: 80,
      data_capture_percent: 100,
      missing_hours: 0,
      wind: 'none',
      sound: 'none',
      humid_hours: null,
    })
  })

  it('bridge one missing hour and say so, more only when told', async () => {
    const store = await dusty([5, 6, 8], () => ({}), [7])
    const [one] = (await told(store, { above: '50' })).episodes
    expect(one).toMatchObject({ hours: 4, hours_that_count: 3, missing_hours: 1 })
    expect((await told(store, { above: '50', gap: '0' })).episodes).toHaveLength(2)
    expect(await episodesText(store, { zone, above: '50' })).toMatch(
      /05:00 .* 09:00 +4 +80\.00 +80\.00 .* 1 h\n/,
    )
  })

  it('of a percentile take it from the hours of the span', async () => {
    const {
      above,
      above_source: source,
      episodes: found,
    } = await told(await dusty([5]), { percentile: '90' })
    expect(above).toBe(10)
    expect(source).toBe('percentile 90 of the 24 hours that count here')
    expect(found).toHaveLength(1)
  })

  it('above the level of a limit say that hours pass no 24-hour limit', async () => {
    const store = await dusty([5])
    const { above, above_source: source } = await told(store, { limit: 'us-national' })
    expect(above).toBe(35)
    expect(source).toContain('hours above it pass no limit (40 CFR 50.13 and 50.18')
    expect((await told(store, { limit: 'who-2021-pm2_5-24h' })).above).toBe(15)
    const wrong = await ran(() => episodes({ store, zone, limit: 'california' }))
    expect(wrong.code).toBe(2)
    expect(wrong.err).toContain('it has no 24-hour level for pm2_5')
  })

  it('tell watch time beside standard time where the zone is known by name', async () => {
    const july = Date.parse('2026-07-03T00:00:00+01:00')
    const store = await madeStore({
      channels: ['pm2_5'],
      from: july,
      minutes: 600,
      at: (minute) => ({ values: { pm2_5: hourOf(minute) === 5 ? 80 : 10 } }),
    })
    const text = await episodesText(store, { zone: 'CET', above: '50' })
    expect(text).toContain('2026-07-03 05:00')
    expect(text).toContain('by the clocks there: 2026-07-03 06:00 to 2026-07-03 07:00 (UTC+02:00)')
    expect(await episodesText(store, { zone, above: '50' })).toContain('by the clocks there: not known')
  })

  it('say that damp hours may be fog', async () => {
    const store = await dusty([3, 4], (minute) => ({ humidity: hourOf(minute) === 3 ? 97 : 70 }))
    const text = await episodesText(store, { zone, above: '50' })
    expect(text).toContain('1 of 2 hours had 85 %RH and more by humidity: it may be fog')
  })

  it('tell wind by its vectors, with the share of time it is known for', async () => {
    const wind = (minute: number) => ({
      wind_speed: minute % 2 === 0 ? 3 : NaN,
      wind_from: minute % 4 === 0 ? 350 : 10,
      sound: 60,
    })
    const store = await dusty([5], wind)
    const [{ wind: found, sound }] = (await told(store, { above: '50' })).episodes
    expect(found).toMatchObject({ from_deg: 0, mean_speed_m_s: 3, share_percent: 50 })
    expect(sound).toMatchObject({ mean_db: 60, highest_db: 60, share_percent: 100 })
    expect(await episodesText(store, { zone, above: '50' })).toContain(
      'wind: from 0° (N) at 3.0 m/s by vector mean',
    )
  })

  it('stand beside the site log and an activity log, and name no source', async () => {
    const store = await madeStore({
      channels: ['pm2_5'],
      from: midnight,
      minutes: 600,
      before: [
        siteEntry(midnight, 'set-up', { place: 'gate' }),
        siteEntry(midnight + 5.5 * 3_600_000, 'observed', { note: 'lorries queue at the gate' }),
      ],
      at: (minute) => ({ values: { pm2_5: hourOf(minute) === 5 ? 80 : 10 } }),
    })
    const events = join(newFolder(), 'quarry.events.csv')
    writeFileSync(
      events,
      'start (motepost events 1),end,kind,words\r\n' +
        '2026-03-03T05:10:00+01:00,2026-03-03T05:15:00+01:00,blast,north face\r\n' +
        '2026-03-03T09:10:00+01:00,2026-03-03T09:15:00+01:00,blast,\r\n',
    )
    const text = await episodesText(store, { zone, above: '50', events })
    expect(text).toContain('site log: 2026-03-03 05:30 observed: lorries queue at the gate')
    expect(text).toContain('activity log quarry: blast at 2026-03-03 05:10, 5 min in all: north face')
    expect(text).toContain('It is no finding about where the dust came from.')
  })

  it('are explained by the command printed beside them', async () => {
    const text = await episodesText(await dusty([5, 6]), { zone, above: '50', detail: true })
    const [{ number, command }, ...more] = explainLines(text)
    expect(more).toEqual([])
    expect((await rerun(command)).figures[0].figure).toBe(number)
  })

  it('go into a CSV too, which is not written over', async () => {
    const store = await dusty([5, 6])
    const csv = join(newFolder(), 'episodes.csv')
    expect((await ran(() => episodes({ store, zone, above: '50', csv }))).code).toBe(0)
    const [heading, row] = readFileSync(csv, 'utf8').split('\r\n')
    expect(heading.split(',')).toHaveLength(row.split(',').length)
    expect(row).toContain('2026-03-03T05:00:00+01:00,2026-03-03T07:00:00+01:00')
    expect((await ran(() => episodes({ store, zone, above: '50', csv }))).err).toContain('is there already')
  })

  it('are none in an empty store, and none where no hour is above', async () => {
    expect((await ran(async () => episodes({ store: await storeOf([]), zone }))).code).toBe(1)
    expect(await episodesText(await dusty([]), { zone, above: '50' })).toContain('0 episodes above 50.00')
  })

  it('are refused where two levels are asked for, or none that can be read', async () => {
    const store = await dusty([5])
    const wrong = async (options: EpisodesOptions) =>
      (await ran(() => episodes({ store, zone, ...options }))).err
    expect(await wrong({ above: '5', percentile: '90' })).toContain(
      'say one of --above, --percentile and --limit',
    )
    expect(await wrong({ above: 'much' })).toContain('--above much')
    expect(await wrong({ percentile: '101' })).toContain('--percentile 101')
    expect(await wrong({ gap: '30' })).toContain('--gap 30')
    expect(await wrong({ limit: 'none' })).toContain('--limit none')
  })
})
