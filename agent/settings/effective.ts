import { createHash } from 'node:crypto'
import { stringify } from 'yaml'
import { forOthers } from './for-others.js'
import type { AlertSettings, GaugeSettings, Settings } from './shape.js'
import { veiledDelivery } from './shape-delivery.js'

/** Settings back into text: the file that would give exactly these settings, and the details of an event line. */

const units: Readonly<Record<string, string>> = {
  seconds: 's',
  minutes: 'min',
  hours: 'h',
  metres: 'm',
  degrees: 'deg',
  kilobytes: 'kb',
  watts: 'w',
  volts: 'v',
}

/** 'readEverySeconds' is 'read_every_s' in the file. */
function fileKey(name: string): string {
  const words = name.replace(/[A-Z]/g, (letter) => '_' + letter.toLowerCase()).split('_')
  const last = words[words.length - 1]
  return [...words.slice(0, -1), (words.length > 1 && units[last]) || last].join('_')
}

/** With the keys of the file, whose names end in their unit. */
export function fileValue(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(fileValue)
  if (typeof value !== 'object' || value === null) return value
  return Object.fromEntries(Object.entries(value).map(([name, one]) => [fileKey(name), fileValue(one)]))
}

function fileGauge(gauge: GaugeSettings): unknown {
  if (!('channels' in gauge)) return gauge
  const channels = gauge.channels.map(({ channel, file, factor }) => [
    channel,
    factor === 1 ? file : { file, factor },
  ])
  return { ...gauge, channels: Object.fromEntries(channels) as unknown }
}

const fileAlert = ({ rule, channel, average, direction, level, ...rest }: AlertSettings): unknown => ({
  rule,
  channel,
  average,
  [direction]: level,
  ...rest,
})

const fileOf = (settings: Settings): unknown =>
  fileValue({ ...settings, gauges: settings.gauges.map(fileGauge), alerts: settings.alerts.map(fileAlert) })

/**
 * The settings in force with all defaults written out, as YAML that `readSettings` reads back to the same settings.
 * Holds no secret: there is no key that takes one.
 */
export const effectiveSettingsText = (settings: Settings): string =>
  stringify(fileOf(settings), { lineWidth: 0 })

/** The same for the screen of who owns the file: numbers, mail addresses and URLs of recipients are not shown. */
export const shownSettingsText = (settings: Settings): string => effectiveSettingsText(shown(settings))

const shown = (settings: Settings): Settings =>
  settings.delivery ? { ...settings, delivery: veiledDelivery(settings.delivery) } : settings

/** What may leave the station, in the form of the file; see for-others.ts. */
export const settingsForOthers = (settings: Settings): unknown => forOthers(fileOf(settings))

/** Room in an event line, whose canonical text is at most 8192 characters, when each of them had to be encoded. */
const mostCharacters = 7500
const encodedLength = (text: string): number => text.replace(/[^A-Za-z0-9 ._:/@+-]/g, '%25x').length

/**
 * Flat details for the event line that is written when settings change: 'station.name', 'alerts[0].above' … in the order
 * of the file. `hash` stands for the whole, so that a change is seen even where `left_out` says how many details did not fit
 * (at most 7500 characters are used). It knows no more than may leave the station: a telephone number or a place could be found
 * from it by trying them all.
 */
export function settingsEventDetails(settings: Settings): Record<string, string> {
  const hash = createHash('sha256')
    .update(JSON.stringify(settingsForOthers(settings)))
    .digest('hex')
    .slice(0, 16)
  const details: Record<string, string> = { hash }
  let room = mostCharacters
  let leftOut = 0
  for (const [key, value] of flat(briefOf(settings), '')) {
    room -= key.length + encodedLength(value) + 2
    if (room >= 0) details[key] = value
    else leftOut++
  }
  if (leftOut > 0) details.left_out = String(leftOut)
  return details
}

/** Of one board: another port or switch measures no otherwise. */
const ofTheBoard: readonly string[] = ['port', 'power_cycle', 'power_switch']

/**
 * 16 hex digits of what is meant to be alike in a group of stations that are compared: sensors, screening, length of a record,
 * alerts, limits. What differs by its place (names, ports, people, power) is not in it.
 */
export function measuringHash(settings: Settings): string {
  const { instruments, data, alerts, built_in_alerts, limits } = fileOf(settings) as Readonly<
    Record<string, unknown>
  > & { readonly instruments: readonly Record<string, unknown>[]; readonly data: Record<string, unknown> }
  const sensors = instruments.map((one) =>
    Object.fromEntries(Object.entries(one).filter(([key]) => !ofTheBoard.includes(key))),
  )
  const alike = { sensors, record_s: data.record_s, alerts, built_in_alerts, limits }
  return createHash('sha256').update(JSON.stringify(alike)).digest('hex').slice(0, 16)
}

/** A recipient as one word: who is told and how; the rest of the block is in the hash. A changed rule in one line too. */
function briefOf(settings: Settings): unknown {
  const shown = settingsForOthers(settings) as { built_in_alerts: object[] }
  const changed = settings.builtInAlerts.map(({ rule, use }, i) =>
    use ? Object.entries(shown.built_in_alerts[i]).slice(2).flat().concat(rule).join(' ') : `${rule} off`,
  )
  const brief = { ...shown, built_in_alerts: changed }
  if (!settings.delivery) return brief
  const told = settings.delivery.recipients.map(
    ({ alias, ways }) => `${alias} by ${ways.map(({ way }) => way).join(' ')}`,
  )
  return { ...brief, delivery: { recipients: told } }
}

function flat(value: unknown, key: string): [string, string][] {
  if (Array.isArray(value)) return value.flatMap((one, i) => flat(one, `${key}[${i}]`))
  if (typeof value !== 'object' || value === null) return [[key, String(value)]]
  return Object.entries(value).flatMap(([name, one]) => flat(one, key ? `${key}.${name}` : name))
}
