import { describe, expect, it } from 'vitest'
import { alertOptions } from '../../agent/cli/compose-alerts.js'
import { dayLevels } from '../../agent/cli/day-levels.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import { troubleRuleNames } from '../../agent/terms/terms.js'
import { base, goodSettings } from '../settings/support.js'

const layout = loadLayout('frames-424d-32')
const optionsOf = (more: string) => {
  const settings = goodSettings(base + more)
  return alertOptions(settings, layout.ok ? [layout.value] : [], dayLevels(settings, '2026-03-01'))
}

describe('the rules that a station runs', () => {
  it('are all of those out of the box where the settings say nothing', () => {
    const { rules, troubles } = optionsOf('')
    // The 24-h guideline levels of 2021 (WHO): 45 and 15 ug/m3.
    expect(rules.map(({ rule, level, backAt }) => [rule, level, backAt])).toEqual([
      ['pm10-dust', 150, 120],
      ['pm25-hour', 55, 45],
      ['pm10-day', 45, 45],
      ['pm25-day', 15, 15],
    ])
    expect(troubles!.map(({ rule }) => rule)).toEqual(troubleRuleNames)
  })

  it('are changed as the settings say, and give way to rules of the own', () => {
    const { rules, troubles } = optionsOf(`alerts:
  - { rule: mine, channel: pm10, average: 10-min, above: 80 }
built_in_alerts:
  - { rule: pm25-hour, above: 100, priority: low }
  - { rule: pm25-day, use: false }
  - { rule: link-down, after_min: 60 }
  - { rule: panel, use: false }
`)
    expect(rules.map(({ rule, level }) => [rule, level])).toEqual([
      ['mine', 80],
      ['pm25-hour', 100],
    ])
    expect(rules[1]).toMatchObject({ backAt: 90, priority: 'low' })
    expect(troubles!.map(({ rule }) => rule)).toEqual(troubleRuleNames.filter((name) => name !== 'panel'))
    expect(troubles!.find(({ rule }) => rule === 'link-down')).toMatchObject({ onDelaySeconds: 3600 })
  })
})
