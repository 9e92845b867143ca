import { describe, expect, test } from 'vitest'
import { base, goodSettings, lines, marks } from './support.js'

/** One entry below the base: it stands in line 11. */
const withRule = (...entries: string[]): string =>
  `${base}built_in_alerts:\n${entries.map((entry) => `  - { ${entry} }\n`).join('')}`

describe('a rule out of the box', () => {
  test('is changed by name, and switched off', () => {
    const text = withRule(
      'rule: pm10-dust, above: 120, back_at: 90',
      'rule: link-down, after_min: 60, priority: high',
      'rule: panel, use: false',
    )
    expect(goodSettings(text).builtInAlerts).toEqual([
      { rule: 'pm10-dust', use: true, above: 120, backAt: 90 },
      { rule: 'link-down', use: true, afterMinutes: 60, priority: 'high' },
      { rule: 'panel', use: false },
    ])
  })

  test('that does not exist is refused, with the one that was meant', () => {
    expect(marks(withRule('rule: link-dwon, use: false'))).toEqual([
      '11:13 built_in_alerts[0].rule unknown-word',
    ])
    expect(lines(withRule('rule: link-dwon, use: false'))[0]).toContain('link-down')
  })

  test('stands once, with the keys of its kind, and is over below its level', () => {
    expect(marks(withRule('rule: disk, use: false', 'rule: disk, after_min: 5'))).toEqual([
      '12:13 built_in_alerts[1].rule conflict',
    ])
    expect(marks(withRule('rule: disk, above: 5'))).toEqual(['11:19 built_in_alerts[0].above conflict'])
    expect(marks(withRule('rule: pm25-hour, after_min: 5'))).toEqual([
      '11:24 built_in_alerts[0].after_min conflict',
    ])
    // 55 is the level that it has without being told.
    expect(marks(withRule('rule: pm25-hour, back_at: 60'))).toEqual([
      '11:33 built_in_alerts[0].back_at conflict',
    ])
    expect(marks(withRule('rule: pm25-hour, above: 70, back_at: 60'))).toEqual([])
    expect(marks(withRule('rule: disk, after_min: -1'))).toHaveLength(1)
  })
})
