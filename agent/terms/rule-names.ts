/** Names of the alert rules that a station has without being told: those of particles, and those of its own troubles. */

export const particleRuleNames = ['pm10-dust', 'pm25-hour', 'pm10-day', 'pm25-day'] as const
export type ParticleRuleName = (typeof particleRuleNames)[number]

export const troubleRuleNames = [
  'no-data',
  'fan-or-inlet',
  'line-errors',
  'pair-disagrees',
  'falling-baseline',
  'low-supply',
  'battery',
  'panel',
  'clock',
  'disk',
  'backlog',
  'link-down',
  'restart-loop',
  'two-stores',
  'settings-afar',
  'case-temperature',
  'case-open',
  'sensor-aging',
  'sensor-old',
] as const
export type TroubleRuleName = (typeof troubleRuleNames)[number]

export const builtInRuleNames = [...particleRuleNames, ...troubleRuleNames] as const
export type BuiltInRuleName = (typeof builtInRuleNames)[number]
