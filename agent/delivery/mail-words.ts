import type { Notice, Recipient, TellerWord, Telling } from './contracts.js'

export interface MailFrom {
  readonly station: string
  readonly teller: TellerWord
}

/** A mail has room for what it means, what to do, and how to answer; no number, address or position is in it. */
export function mailText(
  sentence: string,
  notice: Notice,
  telling: Telling,
  recipient: Recipient,
  { station, teller }: MailFrom,
): string {
  const isAlert = notice.rule !== 'daily' && notice.rule !== 'test'
  const paragraphs = [
    sentence,
    notice.facts.first === undefined || notice.state === 'over' ? '' : `First: ${notice.facts.first}.`,
    figures(notice),
    isAlert ? answering(notice, telling, recipient, teller) : '',
    `${teller === 'station' ? 'Station' : 'Collector of the group'} ${station}, written to ${recipient.alias}.`,
  ]
  return `${paragraphs.filter((paragraph) => paragraph !== '').join('\n\n')}\n`
}

const labels: readonly (readonly [key: string, label: string])[] = [
  ['data_capture_percent', 'data capture %'],
  ['sampled_share_percent', 'sampled share %'],
  ['humidity_percent', 'relative humidity %'],
]

function figures({ rule, priority, facts }: Notice): string {
  if (facts.channel === undefined) return ''
  const lines = labels.flatMap(([key, label]) =>
    facts[key] === undefined ? [] : [`${label}: ${facts[key]}`],
  )
  return [`rule: ${rule}`, `priority: ${priority}`, ...lines].join('\n')
}

function answering(
  { rule, state }: Notice,
  { code }: Telling,
  { mayAnswer, ways }: Recipient,
  teller: TellerWord,
): string {
  if (state === 'over' || rule === 'summary') return ''
  const bySms =
    mayAnswer && ways.some(({ way }) => way === 'sms')
      ? ` By SMS to the ${teller}: ${code} acknowledges, ${code} mute 12 mutes for 12 h.`
      : ''
  return teller === 'station'
    ? `At the station: motepost alerts --acknowledge ${code}, or --mute ${rule} --for 12.${bySms}`
    : `At the collector: motepost alerts --archive FOLDER --acknowledge ${code}, or --mute ${code} --for 12; FOLDER is that of the archive.${bySms}`
}
