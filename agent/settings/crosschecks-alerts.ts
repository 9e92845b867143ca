import { kindOf } from '../terms/terms.js'
import type { KnownLayouts } from './crosschecks.js'
import { channelsOfGauge, type KnownGaugeLayouts } from './crosschecks-gauges.js'
import { valueText, type KeyPath, type Verdict } from './fault.js'
import { atKey, atValue, type Finding, type Look } from './look.js'
import { nearest } from './suggest.js'

export function alertFindings(
  look: Look,
  layouts?: KnownLayouts,
  gaugeLayouts?: KnownGaugeLayouts,
): Finding[] {
  const found: Finding[] = []
  const rules = new Set<string>()
  const given = givenChannels(look, layouts, gaugeLayouts)
  const slots = new Set(look.entries(['instruments']).map((path) => look.text([...path, 'slot'])))
  for (const path of look.entries(['alerts'])) {
    const rule = look.text([...path, 'rule'])
    if (rule !== undefined && rules.has(rule)) found.push(atValue([...path, 'rule'], nameTaken(rule)))
    if (rule !== undefined) rules.add(rule)
    found.push(...levelFindings(look, path))
    const channel = look.text([...path, 'channel'])
    if (channel === undefined) continue
    const slot = channel.split('.')[1]
    if (slot !== undefined && !slots.has(slot)) found.push(atValue([...path, 'channel'], noSlot(slot, slots)))
    else if (given && !given.includes(channel))
      found.push(atValue([...path, 'channel'], notGiven(channel, given)))
  }
  return found
}

const nameTaken = (rule: string): Verdict => ({
  code: 'conflict',
  wrong: `${valueText(rule)} is the name of another rule too`,
  advice: 'give each rule a name of its own',
})

/** Every channel of the station with its slot; undefined while a layout is not known. */
function givenChannels(
  look: Look,
  layouts?: KnownLayouts,
  gaugeLayouts?: KnownGaugeLayouts,
): string[] | undefined {
  const gauges = look.entries(['gauges']).map((path) => channelsOfGauge(look, path, gaugeLayouts))
  if (gauges.includes(undefined)) return undefined
  const given = gauges.flatMap((channels) => channels!)
  for (const path of look.entries(['instruments'])) {
    const channels = layouts?.get(look.text([...path, 'layout']) ?? '')
    if (!channels) return undefined
    const slot = look.text([...path, 'slot'])
    given.push(...channels.map((channel) => (slot === undefined ? channel : `${channel}.${slot}`)))
  }
  return [...new Set(given)]
}

function noSlot(slot: string, slots: ReadonlySet<string | undefined>): Verdict {
  const known = [...slots].filter((one) => one !== undefined)
  const advice =
    known.length > 0 ? `slots: ${known.join(', ')}` : 'no instrument has a slot; write the channel alone'
  return {
    code: 'unknown-word',
    wrong: `no instrument has the slot ${valueText(slot)}`,
    advice,
    didYouMean: nearest(slot, known),
  }
}

const notGiven = (channel: string, given: readonly string[]): Verdict => ({
  code: 'unknown-word',
  wrong: `no instrument and no gauge gives ${valueText(channel)}: this rule could never raise`,
  advice: `given here: ${given.join(', ')}`,
  didYouMean: given.find((one) => one.split('.')[0] === channel.split('.')[0]) ?? nearest(channel, given),
})

/** A rule has one level, inside what its channel can be, and a way back. */
function levelFindings(look: Look, path: KeyPath): Finding[] {
  const [above, below] = [look.has([...path, 'above']), look.has([...path, 'below'])]
  if (above && below) return [atKey([...path, secondOf(look.keys(path), 'above', 'below')], twoLevels)]
  if (!above && !below) return [{ ...atKey([...path, 'above'], noLevel), wants: ['above', 'below'] }]
  const direction = above ? 'above' : 'below'
  const level = look.number([...path, direction])
  if (level === undefined) return []
  const channel = look.text([...path, 'channel'])
  const kind = channel === undefined ? undefined : kindOf(channel)
  const inside = (value: number): boolean => !kind || (value > kind.lowest && value < kind.highest)
  const limits = kind ? `${channel} lies between ${kind.lowest} and ${kind.highest} (${kind.unit})` : ''
  if (!inside(level)) return [atValue([...path, direction], neverCrossed(level, limits))]
  const back = look.number([...path, 'back_at'])
  if (back === undefined) return []
  const right = above ? back < level : back > level
  if (!right) return [atValue([...path, 'back_at'], wrongSide(back, direction, level))]
  return inside(back) ? [] : [atValue([...path, 'back_at'], neverCrossed(back, limits))]
}

const secondOf = (keys: readonly string[], a: string, b: string): string =>
  keys.indexOf(a) < keys.indexOf(b) ? b : a

const twoLevels: Verdict = {
  code: 'conflict',
  wrong: 'a rule has either above or below, not both',
  advice: 'make two rules of it',
}

const noLevel: Verdict = {
  code: 'missing',
  wrong: 'missing',
  advice: 'say from which value on, above: or below:',
}

const neverCrossed = (value: number, limits: string): Verdict => ({
  code: 'out-of-range',
  wrong: `no value can cross ${value} and come back`,
  advice: limits,
})

const wrongSide = (back: number, direction: 'above' | 'below', level: number): Verdict => ({
  code: 'conflict',
  wrong: `${back} is on the wrong side of ${direction}: ${level}`,
  advice: `it must lie ${direction === 'above' ? 'below' : 'above'} ${level}, or the rule is never over`,
})
