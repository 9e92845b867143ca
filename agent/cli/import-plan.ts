/** How a foreign log is to be read: what was typed, made into one plan or refused with the words to type instead. */
import { channelKinds, channelNames, isSlot, kindOf, massChannels, type ChannelName } from '../terms/terms.js'
import { wrongUse, type Opened } from './desk.js'
import { zoneFor, type DeskZone } from './desk-zone.js'
import { readAbout, type AboutOptions, type SeriesAbout } from './import-about.js'
import { timeReader, type ReadTime } from './import-time.js'
import { readUnits, type Scale } from './import-units.js'
import { readWhere } from './import-where.js'

export interface ImportOptions extends AboutOptions {
  readonly into: string
  readonly name?: string
  readonly force?: boolean
  readonly map?: readonly string[]
  readonly units?: readonly string[]
  readonly where?: readonly string[]
  readonly time?: string
  readonly timeFormat?: string
  readonly zone?: string
  readonly label?: string
  readonly step?: string
  readonly missing?: readonly string[]
  readonly decimal?: string
  readonly delimiter?: string
  readonly header?: boolean
  /** The file is an activity log: what was going on, and from when to when. */
  readonly events?: boolean
  /** Of an activity log: columns of the end. */
  readonly endTime?: string
  readonly json?: boolean
}

export interface ImportPlan {
  /** Channel by name of column; empty: columns that are called like channels. */
  readonly map: ReadonlyMap<string, string>
  /** Factor and addend to our unit, by channel. */
  readonly units: ReadonlyMap<string, Scale>
  /** Value by column of the rows that are meant; empty: all. */
  readonly where: ReadonlyMap<string, string>
  readonly about: (channel: string) => SeriesAbout
  /** As typed. */
  readonly inferred: readonly string[]
  /** Columns whose cells, joined by blanks, are the time; absent: the usual names. */
  readonly time?: readonly string[]
  readonly readTime: ReadTime
  /** Of times that carry no offset of their own. */
  readonly zone?: DeskZone
  readonly label?: 'start' | 'end'
  readonly stepSeconds?: number
  readonly missing: ReadonlySet<string>
  readonly decimal: 'point' | 'comma'
  readonly delimiter?: string
  readonly header: boolean
}

const usualMissing = [
  '',
  'na',
  'n/a',
  '#n/a',
  'nan',
  'null',
  'none',
  'nodata',
  'no data',
  'missing',
  '-',
  '--',
  '---',
]
const delimiters: Readonly<Record<string, string>> = {
  comma: ',',
  semicolon: ';',
  tab: '\t',
  pipe: '|',
  ',': ',',
  ';': ';',
  blank: ' ',
}

export function importPlan(options: ImportOptions): Opened<ImportPlan> {
  const map = readMap(options.map ?? [])
  if (!map.ok) return map
  const units = readUnits(options.units ?? [])
  if (!units.ok) return units
  const where = readWhere(options.where ?? [])
  if (!where.ok) return where
  const about = readAbout(options)
  if (!about.ok) return about
  const readTime = timeReader(options.timeFormat)
  if (!readTime.ok) return readTime
  const zone = options.zone === undefined ? undefined : zoneFor(options.zone, undefined, undefined)
  if (zone && !zone.ok) return zone
  const { label, decimal = 'point', step } = options
  if (label !== undefined && label !== 'start' && label !== 'end')
    return wrongUse(`--label ${label}: say whether times are those of the start or the end of each row`)
  if (decimal !== 'point' && decimal !== 'comma') return wrongUse(`--decimal ${decimal}: point or comma`)
  const stepSeconds = step === undefined ? undefined : Number(step)
  if (stepSeconds !== undefined && !(stepSeconds >= 1 && stepSeconds <= 86_400))
    return wrongUse(`--step ${step}: expected seconds, 1 to 86400`)
  const delimiter = options.delimiter === undefined ? undefined : delimiters[options.delimiter]
  if (options.delimiter !== undefined && delimiter === undefined)
    return wrongUse(`--delimiter ${options.delimiter}: comma, semicolon, tab, pipe or blank`)
  return {
    ok: true,
    value: {
      map: map.value,
      units: units.value,
      where: where.value,
      about: about.value,
      inferred: options.inferred ?? [],
      time: options.time?.split(','),
      readTime: readTime.value,
      zone: zone?.value,
      label,
      stepSeconds,
      missing: new Set([...usualMissing, ...(options.missing ?? []).map((word) => word.toLowerCase())]),
      decimal,
      delimiter,
      header: options.header !== false,
    },
  }
}

/** 'pm2_5=PM2.5' by what stands on the right. */
function readMap(typed: readonly string[]): Opened<Map<string, string>> {
  const map = new Map<string, string>()
  for (const text of typed) {
    const [channel, column] = sides(text)
    if (!column) return wrongUse(`--map ${text}: expected CHANNEL=COLUMN, such as pm2_5=PM2.5`)
    if (!isChannel(channel))
      return wrongUse(`--map ${text}: '${channel}' is no channel; there are ${channelNames.join(', ')}`)
    if ([...map.values()].includes(channel) || map.has(column))
      return wrongUse(`--map ${text}: channel and column can be named once`)
    map.set(column, channel)
  }
  return { ok: true, value: map }
}

function isChannel(key: string): boolean {
  const slot = key.split('.')[1]
  return kindOf(key) !== undefined && (slot === undefined || isSlot(slot))
}

export const sides = (text: string): [string, string | undefined] => {
  const at = text.indexOf('=')
  return at < 0 ? [text, undefined] : [text.slice(0, at), text.slice(at + 1)]
}

export const bare = (text: string): string => text.toLowerCase().replace(/[^a-z0-9]/g, '')
const byBareName = new Map(channelNames.map((name) => [bare(name), name]))

/** The channel that a column is plainly called after: 'PM2.5' and 'pm2_5 (µg/m³)' are pm2_5. */
export function channelLike(column: string): ChannelName | undefined {
  return byBareName.get(bare(column.replace(/[([].*$/, '')))
}

/** Reference monitors read a little below zero in clean air; less than that is an error code (common practice, no source). */
const lowestMass = -20

export function isPossible(channel: string, value: number): boolean {
  const name = channel.split('.')[0] as ChannelName
  const { lowest, highest } = channelKinds[name]
  const isMass = massChannels.includes(name)
  return value >= (isMass ? lowestMass : lowest) && value <= highest
}
