import { particleRuleNames } from '../terms/terms.js'
import { valueText, type KeyPath, type Verdict } from './fault.js'
import { atKey, atValue, type Finding, type Look } from './look.js'

/** Each rule out of the box at most once, with the keys of its kind, and a way back below its level. */
export function builtInFindings(look: Look): Finding[] {
  const found: Finding[] = []
  const seen = new Set<string>()
  for (const path of look.entries(['built_in_alerts'])) {
    const rule = look.text([...path, 'rule'])
    if (rule === undefined) continue
    if (seen.has(rule)) found.push(atValue([...path, 'rule'], twice(rule)))
    seen.add(rule)
    found.push(...keyFindings(look, path, rule))
  }
  return found
}

function keyFindings(look: Look, path: KeyPath, rule: string): Finding[] {
  const isParticle = (particleRuleNames as readonly string[]).includes(rule)
  const foreign = isParticle ? ['after_min'] : ['above', 'back_at']
  const found = foreign
    .filter((key) => look.has([...path, key]))
    .map((key) => atKey([...path, key], notOfThis(rule, isParticle)))
  const above = look.number([...path, 'above'])
  const back = look.number([...path, 'back_at'])
  const usual = rule === 'pm10-dust' ? 150 : rule === 'pm25-hour' ? 55 : undefined
  const level = above ?? usual
  if (isParticle && back !== undefined && level !== undefined && back >= level)
    found.push(atValue([...path, 'back_at'], notBelow(back, level)))
  return found
}

const twice = (rule: string): Verdict => ({
  code: 'conflict',
  wrong: `${valueText(rule)} stands here twice`,
  advice: 'say everything about a rule in one entry',
})

const notOfThis = (rule: string, isParticle: boolean): Verdict => ({
  code: 'conflict',
  wrong: `${rule} is a rule of ${isParticle ? 'particles' : 'troubles'} and has no such key`,
  advice: isParticle ? 'it has above and back_at' : 'it has after_min',
})

const notBelow = (back: number, level: number): Verdict => ({
  code: 'conflict',
  wrong: `${back} is not below ${level}, from which on the rule is raised`,
  advice: 'the rule would never be over',
})
