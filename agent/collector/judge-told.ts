/** What a station says of itself, as reasons: the words are those of the fault catalogue and of the trouble rules. */
import { troubleRules } from '../alerts/alerts.js'
import {
  addUtcSeconds,
  faultCatalogue,
  troubleRuleNames,
  utcText,
  type FaultCode,
  type TroubleRuleName,
  type UtcMillis,
} from '../terms/terms.js'
import type { AlertReport, HealthReport } from './reports.js'
import type { Reason } from './standing.js'

/** Troubles of the sensor: the station lives, its figures may be nonsense. */
const suspectRules: ReadonlySet<string> = new Set<TroubleRuleName>([
  'fan-or-inlet',
  'pair-disagrees',
  'falling-baseline',
  'sensor-aging',
  'sensor-old',
])

const stateOf = (rule: string): 'suspect' | 'trouble' => (suspectRules.has(rule) ? 'suspect' : 'trouble')

/** Codes that no trouble rule names, and that a person far away looks for by one word. */
const ownWords: readonly (readonly [RegExp, string])[] = [
  [/^(port-|sensor-silent|sensor-garbage|line-)/, 'no-data'],
  [/^sim-|^sms-(no-sim|pin|puk|not-registered)/, 'sim'],
  [/^(disk|store-in-use|store-damaged|state-damaged)/, 'disk'],
  [/^(identity-conflict|store-other-board|board-changed)/, 'cloned'],
  [/^clock-/, 'clock'],
  [/^budget-/, 'budget'],
  [/^(mail|webhook|sms|delivery)-/, 'delivery'],
  [/^(broker|link|round-trip)-/, 'link'],
]

function ruleOfCode(code: string): string {
  const rule = troubleRuleNames.find((name) => troubleRules[name].codes.some((one) => one === code))
  return rule ?? ownWords.find(([shape]) => shape.test(code))?.[1] ?? 'fault'
}

const isKnown = (code: string): code is FaultCode => Object.hasOwn(faultCatalogue, code)

/** A note is no trouble. */
export function reasonOfFault(
  { code, detail, forSeconds }: HealthReport['faults'][number],
  told: UtcMillis | undefined,
): Reason[] {
  const rule = ruleOfCode(code)
  const kind = isKnown(code) ? faultCatalogue[code] : undefined
  if (kind?.severity === 'note') return []
  const words = kind ? kind.words : `fault ${code}, which this version does not know`
  return [
    {
      ...{ code: rule, state: stateOf(rule), words: detail === '' ? words : `${words}: ${detail}` },
      firstThing: kind?.firstThing ?? 'bring the collector to the version of the station',
      ...(told === undefined ? {} : { since: utcText(addUtcSeconds(told, -forSeconds)) }),
    },
  ]
}

/** Air above its limit is no trouble of a station: such alerts are none of its judgement. */
export function reasonOfAlert({ rule, state, at }: AlertReport): Reason[] {
  const name = troubleRuleNames.find((one) => one === rule)
  if (!name || state !== 'raised') return []
  const { words, firstThing } = troubleRules[name]
  return [{ code: name, state: stateOf(name), words, firstThing, ...(at === undefined ? {} : { since: at }) }]
}
