import type { DeliveryStatus, ModemStanding } from '../delivery/delivery.js'
import type { StationStatus } from '../station/station.js'
import {
  faultCatalogue,
  good,
  parseUtc,
  utcText,
  type EventLine,
  type FaultCode,
  type Outcome,
} from '../terms/terms.js'
import type { DeskStore } from './desk.js'
import { localText, type Place } from './local-time.js'

/** The newest are shown; older ones are in the store. */
const mostHistory = 1000

/** One line a rule, then one a recipient. */
export function stateLines({ alerts, troubles, delivery }: StationStatus, place: Place): readonly string[] {
  const known = [...alerts, ...troubles]
  const states = [...known.map((alert) => stateLine(alert, delivery, place)), ...beyond(known, delivery)]
  return [...(states.length === 0 ? ['No rule.'] : states), ...peopleLines(delivery)]
}

export interface ToldByCollector {
  readonly delivery?: DeliveryStatus
  readonly modem?: ModemStanding
}

/** Of a collector: one line a rule that people were told of, then one a recipient. */
export function toldLines({ delivery, modem }: ToldByCollector): readonly string[] {
  const told = beyond([], delivery)
  return [
    ...(told.length === 0 ? ['Nothing was raised.'] : told),
    ...peopleLines(delivery),
    ...(modem ? [`Modem: ${modem.words}, ${Math.round(modem.age_s / 60)} min ago`] : []),
  ]
}

function stateLine(
  { rule, state, value, at }: Readonly<Record<string, unknown>>,
  delivery: DeliveryStatus | undefined,
  place: Place,
): string {
  const utc = typeof at === 'string' ? parseUtc(at) : undefined
  const when = utc === undefined ? '' : `, ${localText(utc, place)}`
  const figure = value === undefined ? '' : ` (${String(value)}${when})`
  return `${String(rule)}: ${String(state)}${figure}${toldWords(String(rule), delivery)}`
}

/** Rules that people were told of and that are no longer among the station's. */
function beyond(
  alerts: readonly Readonly<Record<string, unknown>>[],
  delivery: DeliveryStatus | undefined,
): readonly string[] {
  const shown = new Set(alerts.map(({ rule }) => rule))
  const others = delivery?.rules.filter(({ rule }) => !shown.has(rule)) ?? []
  return others.map(({ rule, state }) => `${rule}: ${state}${toldWords(rule, delivery)}`)
}

/** Somebody by name, or whoever was there. */
const byWords = (who: string): string => (who === 'at the station' ? who : `by ${who}`)

function toldWords(rule: string, delivery: DeliveryStatus | undefined): string {
  const of = delivery?.rules.find((one) => one.rule === rule)
  if (!of) return ''
  const words = [
    of.code === '' ? '' : `code ${of.code}`,
    of.told.length > 0 ? `told ${of.told.join(', ')}` : '',
    of.acknowledgedBy === undefined ? '' : `acknowledged ${byWords(of.acknowledgedBy)}`,
    of.mutedForSeconds === undefined ? '' : `muted for ${Math.ceil(of.mutedForSeconds / 60)} min more`,
    of.chatters ? 'comes and goes: told no more until it is quiet' : '',
  ].filter((text) => text !== '')
  return words.length === 0 ? '' : `; ${words.join('; ')}`
}

function peopleLines(delivery: DeliveryStatus | undefined): readonly string[] {
  if (!delivery) return ['Nobody is told: the settings have no block delivery.']
  const { sms, allMutedForSeconds, recipients } = delivery
  const people = recipients.flatMap(({ alias, ways, smsLastDay, mostSmsADay, waiting }) => [
    `${alias}: ${ways.join(', then ')}${ways.includes('sms') ? `; ${smsLastDay} of ${mostSmsADay} SMS in 24 h` : ''}`,
    ...waiting.map(
      ({ rule, state, waitsSeconds, because }) =>
        `  waits: ${rule} ${state}, for ${Math.round(waitsSeconds / 60)} min: ${because}`,
    ),
  ])
  const cost = sms.costCents === undefined ? '' : `, ${(sms.costCents / 100).toFixed(2)} in your money`
  return [
    ...people,
    ...(sms.month === undefined ? [] : [`SMS in ${sms.month}: ${sms.parts}${cost}`]),
    ...(allMutedForSeconds === undefined
      ? []
      : [`All is muted for ${Math.ceil(allMutedForSeconds / 60)} min more.`]),
  ]
}

const historyNames: ReadonlySet<string> = new Set(['alert', 'delivery', 'acknowledged', 'muted'])

/** What was raised, told, acknowledged and muted, oldest first, in UTC. */
export async function historyLines(
  { reader }: DeskStore,
  json: boolean,
): Promise<Outcome<readonly string[]>> {
  let found: EventLine[] = []
  const scanned = await reader.scan((view) => {
    const line = view.line()
    if (line?.kind !== 'event' || !historyNames.has(line.name)) return
    found.push(line)
    if (found.length > 2 * mostHistory) found = found.slice(-mostHistory)
  })
  if (!scanned.ok) return scanned
  const newest = found.sort((a, b) => a.seq - b.seq).slice(-mostHistory)
  if (json) return good(newest.map((line) => JSON.stringify(jsonOf(line))))
  return good(newest.length === 0 ? ['Nothing was raised.'] : newest.map(historyLine))
}

const timeOf = ({ utc }: EventLine): string => (utc === undefined ? 'time not known' : utcText(utc))

const jsonOf = (line: EventLine): Record<string, unknown> => ({
  number: line.seq,
  ...(line.utc === undefined ? {} : { at: utcText(line.utc) }),
  what: line.name,
  ...line.details,
})

function historyLine(line: EventLine): string {
  const { rule = '', state = '', to, way, code = '', value, by, seconds, fault, because } = line.details
  const words = [
    line.name,
    rule,
    line.name === 'alert' && state === 'normal' ? 'over' : state,
    ...(to === undefined ? [] : [`to ${to}`]),
    ...(way === undefined ? [] : [`by ${way}`]),
    ...(value === undefined ? [] : [value]),
    ...(state === 'due' && line.details.for ? [`for ${line.details.for.split(' ').join(', ')}`] : []),
    code === '' ? '' : `code ${code}`,
    ...(seconds === undefined ? [] : [Number(seconds) === 0 ? 'no longer' : `for ${minutesText(seconds)}`]),
    ...(by === undefined ? [] : [byWords(by)]),
  ]
  const why = because ?? (fault !== undefined ? faultCatalogue[fault as FaultCode]?.words : undefined)
  return `${timeOf(line)}  ${words.filter((word) => word !== '').join(' ')}${why === undefined ? '' : `: ${why}`}`
}

const minutesText = (seconds: string): string => `${Math.round(Number(seconds) / 60)} min`
