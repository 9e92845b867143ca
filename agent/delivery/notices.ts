import { cellText, parseUtc, utcText, type EventLine } from '../terms/terms.js'
import type { Notice, Priority } from './contracts.js'
import type { Stamp } from './stamps.js'

/** A change that some recipients are to be told of, as its line says it. */
export interface Due {
  readonly id: number
  readonly notice: Notice
  readonly code: string
  readonly aliases: readonly string[]
  /** Raised so often in a row without a quiet time between. */
  readonly streak: number
  /** Number of the raise that made the rule chatter; 0: it does not. */
  readonly chatterId: number
  /** For the daily line: the day of the watch. */
  readonly day?: string
  readonly stamp: Stamp
  readonly line: EventLine
}

export const deliveryName = 'delivery'
const mostFacts = 32
const longestFact = 160
const longestFactName = 32
/** All facts together, as they stand in a line: far below the longest line. */
const mostFactCharacters = 4000
export const longestName = 64

const clip = (text: string, length: number): string => [...text].slice(0, length).join('')

/** No notice makes a line too long to be read again. */
export function boundedFacts(facts: Readonly<Record<string, string>>): Record<string, string> {
  const bounded: Record<string, string> = {}
  let characters = 0
  for (const [name, value] of Object.entries(facts).slice(0, mostFacts)) {
    const key = clip(name, longestFactName)
    const text = clip(value, longestFact)
    characters += cellText(key).length + cellText(text).length + 4
    if (characters > mostFactCharacters) break
    bounded[key] = text
  }
  return bounded
}

export interface DueWords {
  readonly code: string
  readonly aliases: readonly string[]
  readonly streak: number
  readonly chatterId: number
  readonly day?: string
}

/** The details of the line that says what is due; without a number the line's own is meant. */
export function dueDetails(
  notice: Omit<Notice, 'id'> & { id?: string },
  words: DueWords,
): Record<string, string> {
  const { id, rule, state, priority, since, facts } = notice
  return {
    state: 'due',
    rule,
    ...(id === undefined ? {} : { notice: id }),
    change: state,
    priority,
    ...(since === undefined ? {} : { since: utcText(since) }),
    code: words.code,
    for: words.aliases.join(' '),
    ...(words.streak > 0 ? { streak: String(words.streak) } : {}),
    ...(words.chatterId > 0 ? { chatters: String(words.chatterId) } : {}),
    ...(words.day === undefined ? {} : { day: words.day }),
    ...Object.fromEntries(Object.entries(boundedFacts(facts)).map(([name, value]) => [`f.${name}`, value])),
  }
}

const states: readonly string[] = ['raised', 'over', 'word']
const priorities: readonly string[] = ['low', 'normal', 'high']

/** Reads what `dueDetails` wrote; undefined for anything else. */
export function readDue(line: EventLine, stamp: Stamp): Due | undefined {
  const { rule, notice: number, change, priority, since, code, day, streak, chatters } = line.details
  const id = number === undefined ? line.seq : Number(number)
  if (!rule || !states.includes(change) || !priorities.includes(priority) || !(id > 0)) return undefined
  const facts: Record<string, string> = {}
  for (const [name, value] of Object.entries(line.details))
    if (name.startsWith('f.')) facts[name.slice(2)] = value
  const sinceUtc = since === undefined ? undefined : parseUtc(since)
  const notice: Notice = {
    id: String(id),
    rule,
    state: change as Notice['state'],
    priority: priority as Priority,
    ...(sinceUtc === undefined ? {} : { since: sinceUtc }),
    facts,
  }
  const aliases = (line.details.for ?? '').split(' ').filter(Boolean)
  const counts = { streak: Number(streak) || 0, chatterId: Number(chatters) || 0 }
  return { id, notice, code: code ?? '', aliases, ...counts, ...(day ? { day } : {}), stamp, line }
}
