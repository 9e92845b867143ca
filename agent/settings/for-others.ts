/**
 * Settings as they may leave the station: in lines, which end in an archive, and in a bundle for a helper. By allow-list: numbers,
 * switches and words of our own lists are shown; a text only where it is named here; a place is rounded. A key that a later
 * release adds is not shown until somebody names it.
 */
import { pathText, type KeyPath, type SettingsFault } from './fault.js'
import { leafAt, schemaAt, type Leaf } from './leaves.js'
import { gaugeChannelNames } from './patterns.js'
import { roundedDegrees } from './register.js'
import { settingsSchema } from './schema.js'
import { notShown } from './shape-delivery.js'

const inEach = (list: string, ...keys: string[]): string[] => keys.map((key) => `${list}[].${key}`)

/**
 * Texts that are shown. Not among them: whatever says who somebody is or where they are reached (names at a broker or mail server,
 * hosts, URLs, numbers, addresses, who gave a permission), files of secrets and keys, templates, and words of commands, in which
 * a person may have put a password.
 */
export const shownTexts: ReadonlySet<string> = new Set([
  ...['station.name', 'station.group', 'station.time_zone'],
  ...inEach('instruments', 'name', 'layout', 'port', 'slot', 'serial', 'box'),
  ...inEach('gauges', 'path', 'device', 'port', 'layout'),
  ...gaugeChannelNames.flatMap((name) => inEach('gauges', `channels.${name}`, `channels.${name}.file`)),
  ...['supply.low_file', 'case.open_file', 'data.folder', 'runtime.folder', 'power.board_off.wake_alarm'],
  ...['clock.ntp_file', 'clock.satellite.port', 'clock.modem.port'],
  ...inEach('alerts', 'rule', 'channel'),
  // Names that the owner chose to be seen in lines and answers.
  ...inEach('delivery.recipients', 'alias'),
  ...['port', 'valid_until', 'credit_check'].map((key) => `delivery.sms.${key}`),
  ...inEach('site.sources', 'name'),
  'limits.set',
  ...inEach('limits.own', 'name', 'document', 'note'),
  'limits.correction_files[]',
])

/** Shown to 0.01 degree, which is about a kilometre. */
export const roundedNumbers: ReadonlySet<string> = new Set([
  'power.panel.latitude_deg',
  'power.panel.longitude_deg',
])

/** @param file settings under the names of the file */
export const forOthers = (file: unknown): unknown => judged(file, [], '')

function judged(value: unknown, path: KeyPath, name: string): unknown {
  if (Array.isArray(value)) return value.map((one, i) => judged(one, [...path, i], `${name}[]`))
  if (typeof value === 'object' && value !== null)
    return Object.fromEntries(
      Object.entries(value).map(([key, one]) => [
        key,
        judged(one, [...path, key], name ? `${name}.${key}` : key),
      ]),
    )
  return leafForOthers(value, leafAt(settingsSchema, path), name)
}

const ownKinds: readonly Leaf['kind'][] = ['number', 'switch', 'choice', 'either']

function leafForOthers(value: unknown, leaf: Leaf | undefined, name: string): unknown {
  if (typeof value === 'string' && shownTexts.has(name)) return withoutHome(value)
  if (name === 'uplink.url') return String(value).replace(/^(mqtts?:\/\/).*$/, `$1${notShown}`)
  if (!leaf || !ownKinds.includes(leaf.kind)) return notShown
  if (typeof value === 'number') return roundedNumbers.has(name) ? roundedDegrees(value) : value
  return typeof value === 'boolean' || leaf.kind === 'choice' ? value : notShown
}

/** A folder below /home is called after a person. */
const withoutHome = (text: string): string => text.replace(/\/home\/[^/]+/g, '/home/(user)')

// ---- what is wrong with a file ----------------------------------------------------------------------------------------

export interface FaultForOthers {
  readonly code: SettingsFault['code']
  readonly line: number
  readonly column: number
  /** As much of the key as there is in our own settings: a misspelt one may be anything. */
  readonly key: string
  readonly did_you_mean?: string
}

/** A fault without what a person typed. */
export function faultForOthers({ code, line, column, keyPath, didYouMean }: SettingsFault): FaultForOthers {
  const steps = keyPath.split(/[.[\]]+/).filter((step) => step !== '')
  const path = steps.map((step) => (/^\d+$/.test(step) ? Number(step) : step))
  let known = path.length
  while (known > 0 && !schemaAt(settingsSchema, path.slice(0, known))) known--
  const key = pathText(path.slice(0, known))
  return { code, line, column, key, ...(didYouMean === undefined ? {} : { did_you_mean: didYouMean }) }
}
