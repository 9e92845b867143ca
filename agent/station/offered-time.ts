import { agree, type AnchorPoint } from '../clock/clock.js'
import { parseUtc, utcText, type MonoSeconds } from '../terms/terms.js'
import type { Parts } from './parts.js'

export type TimeAnswer =
  | { readonly ok: false; readonly words: string }
  | {
      readonly ok: true
      readonly words: string
      /** The station goes by it from now on; otherwise it has a better source that agrees. */
      readonly used: boolean
    }

/** Nobody reads a watch better, and what is off by more helps nobody. */
const leastErrorSeconds = 1
const mostErrorSeconds = 600

const refuse = (words: string): TimeAnswer => ({ ok: false, words })

/**
 * A time that a person offers is a claim like any other, of less weight than a network's: used where nothing better is known,
 * refused where it contradicts something better, unless the person confirms it.
 */
export function offeredTime(
  { clock }: Pick<Parts, 'clock'>,
  { utc: text, error_s: errorSeconds, confirm }: Readonly<Record<string, unknown>>,
  now: MonoSeconds,
): TimeAnswer {
  const utc = typeof text === 'string' ? parseUtc(text) : undefined
  if (utc === undefined) return refuse('utc: expected a time such as 2026-03-01T08:30:00Z')
  if (
    typeof errorSeconds !== 'number' ||
    !(errorSeconds >= leastErrorSeconds && errorSeconds <= mostErrorSeconds)
  )
    return refuse(`error_s: expected ${leastErrorSeconds} to ${mostErrorSeconds} seconds`)
  const claim: AnchorPoint = { mono: now, utc, source: 'person', errorSeconds }
  const against = clock.against(claim)
  if (against?.why === 'before-program') return refuse(`${text as string} is before this program was made`)
  if (against && confirm !== true)
    return refuse(`${whatSpeaksAgainst(against.claim, now)}; --confirm uses ${text as string} all the same`)
  const agrees = clock.source !== undefined && agree(clock.source, claim, now)
  const used = !agrees || !(clock.errorAt(now) <= errorSeconds)
  clock.hear(claim, confirm === true)
  return {
    ok: true,
    used,
    words: used ? 'the station goes by this time now' : betterWords(clock.source!, clock.errorAt(now)),
  }
}

function whatSpeaksAgainst(believed: AnchorPoint | undefined, now: MonoSeconds): string {
  if (!believed) return 'the newest record that had a trusted time is later than that'
  const at = believed.utc + (now - believed.mono) * 1000
  return `the time is ${utcText(at as AnchorPoint['utc'])} by ${believed.source}`
}

const betterWords = ({ source }: AnchorPoint, errorSeconds: number): string =>
  `it agrees with ${source}, which is within ${errorSeconds.toFixed(1)} s and stays in use`
