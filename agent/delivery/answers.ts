import type { IncomingText } from '../terms/terms.js'
import { codeIn } from './codes.js'
import type { Recipient } from './contracts.js'

/** What a person wants who answers a message. */
export type Wish =
  | { readonly do: 'acknowledge'; readonly code: string }
  | { readonly do: 'mute'; readonly code: string; readonly seconds: number }

const usualMuteHours = 8
const longestText = 640
const hourSeconds = 3600

/**
 * `K7A4` acknowledges, `K7A4 mute` mutes the rule for 8 hours, `K7A4 mute 12` for 12, `K7A4 mute 0` ends it. Upper and lower
 * case and what else stands there do not matter; a text without a code is no answer.
 */
export function readAnswer(text: string): Wish | undefined {
  const words = text
    .slice(0, longestText)
    .split(/[^\p{L}\p{N}]+/u)
    .filter(Boolean)
  const code = codeIn(words)
  if (code === undefined) return undefined
  const muteAt = words.findIndex((word) => word.toLowerCase() === 'mute')
  if (muteAt < 0) return { do: 'acknowledge', code }
  const hours = words.slice(muteAt + 1).find((word) => /^\d{1,3}$/.test(word))
  return { do: 'mute', code, seconds: Number(hours ?? usualMuteHours) * hourSeconds }
}

const plainNumber = (number: string): string => number.replace(/[\s()./-]/g, '').replace(/^00/, '+')

/** The recipient whose number it is, whole and not only its end. */
export function senderOf({ from }: IncomingText, recipients: readonly Recipient[]): Recipient | undefined {
  const number = plainNumber(from)
  return recipients.find(
    ({ mayAnswer, ways }) =>
      mayAnswer && ways.some(({ way, to }) => way === 'sms' && plainNumber(to) === number),
  )
}
