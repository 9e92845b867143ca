/** Watch time in messages, standard time in figures, on the days on which the clocks change. */
import { afterAll, describe, expect, it } from 'vitest'
import { averages } from '../../agent/cli/averages.js'
import { exportData } from '../../agent/cli/export.js'
import { watchText } from '../../agent/cli/local-time.js'
import { utcMillis } from '../../agent/terms/terms.js'
import { anchor, minutes, ran, removeFolders, storeOf } from './desk-rig.js'

afterAll(removeFolders)

describe('watch time', () => {
  // Offsets, letters and days of change by the IANA time zone database, release 2025b; letters by CLDR as Node carries it.
  it.each([
    ['Europe/Berlin', '2026-03-29T00:59:00Z', '2026-03-29 01:59 CET'],
    ['Europe/Berlin', '2026-03-29T01:00:00Z', '2026-03-29 03:00 CEST'],
    ['Europe/Berlin', '2026-10-25T00:59:00Z', '2026-10-25 02:59 CEST'],
    ['Europe/Berlin', '2026-10-25T01:00:00Z', '2026-10-25 02:00 CET'],
    ['Europe/Dublin', '2026-01-15T12:00:00Z', '2026-01-15 12:00 GMT'],
    ['Europe/Dublin', '2026-07-15T12:00:00Z', '2026-07-15 13:00 IST'],
    ['Australia/Adelaide', '2026-01-15T12:00:00Z', '2026-01-15 22:30 ACDT'],
    ['Australia/Lord_Howe', '2026-07-15T12:00:00Z', '2026-07-15 22:30 LHST'],
    ['Australia/Lord_Howe', '2026-01-15T12:00:00Z', '2026-01-15 23:00 LHDT'],
    ['America/New_York', '2026-07-15T12:00:00Z', '2026-07-15 08:00 EDT'],
    ['Asia/Kathmandu', '2026-07-15T12:00:00Z', '2026-07-15 17:45 UTC+05:45'],
  ])('of %s at %s is %s', (timeZone, utc, text) => {
    expect(watchText(utcMillis(Date.parse(utc)), { timeZone, standardOffsetMinutes: 0 })).toBe(text)
  })

  it('is the fixed offset where no zone is known', () => {
    const at = utcMillis(Date.parse('2026-07-15T12:00:00Z'))
    expect(watchText(at, { standardOffsetMinutes: -210 })).toBe('2026-07-15 08:30 UTC-03:30')
    expect(watchText(at, { standardOffsetMinutes: 0 })).toBe('2026-07-15 12:00 UTC')
  })
})

describe('the days on which the clocks change', () => {
  it.each([
    ['Europe/Berlin', '2026-03-29', 60],
    ['Europe/Berlin', '2026-10-25', 60],
    ['Europe/Dublin', '2026-03-29', 0],
    ['Europe/Dublin', '2026-10-25', 0],
    ['America/Santiago', '2026-04-05', -240],
    ['America/Santiago', '2026-09-06', -240],
    ['Australia/Lord_Howe', '2026-04-05', 630],
    ['Australia/Lord_Howe', '2026-10-04', 630],
    ['Asia/Kathmandu', '2026-03-29', 345],
  ])('have 24 hours like any other in %s on %s', async (zone, day, offsetMinutes) => {
    const begin = Date.parse(`${day}T00:00:00Z`) - offsetMinutes * 60_000
    const store = await storeOf([anchor(begin), ...minutes(begin, 24 * 60, 12)])
    const { out } = await ran(() => averages({ store, zone, json: true, from: day, to: day }))
    const [series] = (JSON.parse(out) as { series: { periods: unknown[]; days: { day: string }[] }[] }).series
    expect(series.periods).toHaveLength(24)
    expect(series.days).toHaveLength(1)
    const hours = await ran(() => exportData({ store, zone, of: 'hours', from: day, to: day }))
    const rows = hours.out.trim().split('\r\n').slice(1)
    expect(rows).toHaveLength(24)
    expect(new Set(rows.map((row) => row.split(',')[0])).size).toBe(24)
  })
})
