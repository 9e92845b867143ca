import { spawnSync } from 'node:child_process'
import { describe, expect, test } from 'vitest'
import { standardOffsetMinutes } from '../../agent/settings/settings.js'
import { base, goodSettings } from './support.js'

const offsetOf = (zone: string): number => standardOffsetMinutes(goodSettings(base.replace('UTC', zone)))

describe('local standard time', () => {
  // IANA time zone database, release 2025b (files europe, asia, australasia, northamerica, southamerica, africa).
  test.each([
    ['UTC', 0],
    ['Europe/Lisbon', 0],
    ['Europe/Berlin', 60],
    ['Asia/Kathmandu', 345],
    ['Asia/Kolkata', 330],
    ['Australia/Adelaide', 570],
    ['Australia/Lord_Howe', 630],
    ['Pacific/Chatham', 765],
    ['America/Santiago', -240],
    ['America/St_Johns', -210],
    ['America/Phoenix', -420],
  ])('of %s is %s minutes from UTC in both hemispheres', (zone, minutes) => {
    expect(offsetOf(zone)).toBe(minutes)
  })

  test('is the lower offset where the law calls winter the exception', () => {
    expect(offsetOf('Europe/Dublin')).toBe(0)
    expect(offsetOf('Africa/Casablanca')).toBe(0)
  })

  test('is what an offset in the settings says, or UTC', () => {
    expect(
      standardOffsetMinutes(goodSettings(base.replace('time_zone: UTC', 'standard_offset_min: -210'))),
    ).toBe(-210)
    expect(standardOffsetMinutes(goodSettings(base.replace('  time_zone: UTC\n', '')))).toBe(0)
  })

  test('follows the rules of the year that is asked for', () => {
    const settings = goodSettings(base.replace('UTC', 'Asia/Pyongyang'))
    expect([2017, 2026].map((year) => standardOffsetMinutes(settings, year))).toEqual([510, 540])
  })

  test('agrees with the zone files of the system', (context) => {
    const systemOffset = (zone: string, month: number): number => {
      const at = Date.UTC(2026, month, 1) / 1000
      const { stdout } = spawnSync('date', ['-d', `@${at}`, '+%z'], {
        env: { ...process.env, TZ: zone },
        encoding: 'utf8',
      })
      const [, sign, hours, minutes] = /^([+-])(\d\d)(\d\d)/.exec(stdout ?? '') ?? []
      return sign ? (sign === '-' ? -1 : 1) * (Number(hours) * 60 + Number(minutes)) : NaN
    }
    const zones = [
      'Europe/Berlin',
      'America/St_Johns',
      'Pacific/Chatham',
      'America/Santiago',
      'Asia/Kathmandu',
    ]
    if (systemOffset('Asia/Kathmandu', 0) !== 345) return context.skip('the system has no zone files')
    for (const zone of zones) {
      const offsets = Array.from({ length: 12 }, (_, month) => systemOffset(zone, month))
      expect(offsetOf(zone)).toBe(Math.min(...offsets))
    }
  })
})
