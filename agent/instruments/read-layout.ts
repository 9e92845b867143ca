import { channelNames, massChannels, type Basis, type Scaling } from '../terms/terms.js'
import { isCount, sizeRank } from './fields.js'
import { frameBytes } from './framing.js'
import { fixedCommandIsWhole } from './framing-fixed.js'
import { lengthWordCommandIsWhole } from './framing-length-word.js'
import { stuffedCommandIsWhole } from './framing-stuffed.js'
import { commandNames, numberTypes } from './layout.js'
import type {
  Command,
  CommandName,
  CountRule,
  Field,
  FramingSpec,
  Layout,
  NumberType,
  Place,
} from './layout.js'
import { groupNames, readFraming } from './read-framing.js'
import { join, ShapeReader, type LayoutFault, type Parsed } from './shape.js'
import { conversionOf, unitsOf } from './units.js'

export type LayoutRead =
  | { readonly ok: true; readonly layout: Layout }
  | { readonly ok: false; readonly faults: readonly LayoutFault[] }

const layoutKeys = [
  'layout',
  'about',
  'baud',
  'framing',
  'fields',
  'scaling?',
  'error?',
  'version?',
  'device?',
  'counts?',
  'mode',
  'period_s',
  'warm_up',
  'commands?',
]
const bases: readonly Basis[] = ['measured', 'inferred']
const scalings: readonly Scaling[] = ['atmospheric', 'standard-particle']
const nameShape = /^[a-z0-9][a-z0-9-]{2,39}$/
const mostFields = 32

/**
 * Checks a parsed layout file (config/instruments/*.yaml describes the keys by example) and makes a layout of it.
 * @param value what a YAML reader made of the file: plain maps, lists, texts and numbers
 * @returns the layout, or every fault at once with the path of its key
 */
export function readLayout(value: unknown): LayoutRead {
  const read = new ShapeReader()
  const layout = read.map(value, '', layoutKeys)
  if (!layout) return { ok: false, faults: read.faults }
  const framing = readFraming(read, layout.framing, 'framing')
  const made = framing && assemble(read, layout, framing)
  if (made && read.faults.length === 0) checkWhole(read, made)
  return made && read.faults.length === 0 ? { ok: true, layout: made } : { ok: false, faults: read.faults }
}

function assemble(read: ShapeReader, layout: Parsed, framing: FramingSpec): Layout {
  const name = read.text(layout.layout, 'layout')
  if (name !== '' && !nameShape.test(name)) read.fault('layout', 'must be 3 to 40 of a-z, 0-9 and -')
  const place = (key: string): Place | undefined => readPlace(read, layout[key], key, framing)
  const error = framing.kind === 'lines' ? readErrorGroup(read, layout.error) : place('error')
  const scaling = layout.scaling === undefined ? undefined : read.oneOf(layout.scaling, 'scaling', scalings)
  return {
    name,
    about: read.text(layout.about, 'about'),
    baud: read.number(layout.baud, 'baud', 300, 4_000_000),
    framing,
    fields: readFields(read, layout.fields, framing),
    scaling,
    error,
    version: place('version'),
    device: place('device'),
    counts: readCounts(read, layout.counts),
    mode: read.oneOf(layout.mode, 'mode', ['active', 'polled']),
    periodSeconds: read.number(layout.period_s, 'period_s', 0.1, 3600, false),
    warmUp: readWarmUp(read, layout.warm_up),
    commands: readCommands(read, layout.commands, framing),
  }
}

const bytesOf: Readonly<Record<NumberType, number>> = {
  u8: 1,
  u16be: 2,
  u16le: 2,
  i16be: 2,
  i16le: 2,
  u32be: 4,
  f32be: 4,
  f32le: 4,
}

function readPlace(read: ShapeReader, value: unknown, path: string, framing: FramingSpec): Place | undefined {
  if (value === undefined) return undefined
  if (framing.kind === 'lines') return read.fault(path, 'has no place in text lines')
  const place = read.map(value, path, ['at', 'type'])
  return place && readAtAndType(read, place, path, framing)
}

function readAtAndType(read: ShapeReader, from: Parsed, path: string, framing: FramingSpec): Place {
  const type = read.oneOf(from.type, join(path, 'type'), numberTypes)
  return { at: read.number(from.at, join(path, 'at'), 0, frameBytes(framing) - bytesOf[type]), type }
}

function readErrorGroup(read: ShapeReader, value: unknown): { group: string } | undefined {
  const error = value === undefined ? undefined : read.map(value, 'error', ['group'])
  return error && { group: read.text(error.group, 'error.group') }
}

function readFields(read: ShapeReader, value: unknown, framing: FramingSpec): Field[] {
  if (value === undefined) return []
  const fields = read.list(value, 'fields')
  if (fields.length === 0 || fields.length > mostFields)
    read.fault('fields', `must be 1 to ${mostFields} fields`)
  return fields.flatMap((field, i) => readField(read, field, join('fields', i), framing) ?? [])
}

function readField(read: ShapeReader, value: unknown, path: string, framing: FramingSpec): Field | undefined {
  const text = framing.kind === 'lines'
  const where = text ? ['group'] : ['at', 'type']
  const field = read.map(value, path, ['channel', ...where, 'divisor?', 'unit', 'scaling?', 'basis'])
  if (!field) return undefined
  const channel = read.oneOf(field.channel, join(path, 'channel'), channelNames)
  const unit = read.text(field.unit, join(path, 'unit'))
  if (unit !== '' && !conversionOf(channel, unit))
    read.fault(join(path, 'unit'), `must be one of ${unitsOf(channel).join(', ')} for ${channel}`)
  const { divisor, scaling } = field
  return {
    channel,
    ...(text
      ? { group: read.text(field.group, join(path, 'group')) }
      : { place: readAtAndType(read, field, path, framing) }),
    divisor: divisor === undefined ? 1 : read.number(divisor, join(path, 'divisor'), 1e-6, 1e6, false),
    unit,
    scaling: scaling === undefined ? undefined : read.oneOf(scaling, join(path, 'scaling'), scalings),
    basis: read.oneOf(field.basis, join(path, 'basis'), bases),
  }
}

function readCounts(read: ShapeReader, value: unknown): CountRule | undefined {
  const counts = value === undefined ? undefined : read.map(value, 'counts', ['rule', 'from?'])
  if (!counts) return undefined
  const rule = read.oneOf(counts.rule, 'counts.rule', ['larger-than', 'up-to'])
  if (rule === 'larger-than') {
    if (counts.from !== undefined) read.fault('counts.from', "belongs to the rule 'up-to'")
    return { rule }
  }
  if (counts.from === undefined)
    read.fault('counts.from', 'is missing: the channel of all above the smallest size')
  return { rule, from: read.oneOf(counts.from, 'counts.from', channelNames.filter(isCount)) }
}

function readWarmUp(read: ShapeReader, value: unknown): Layout['warmUp'] {
  const warmUp = value === undefined ? {} : (read.map(value, 'warm_up', ['least_s', 'note']) ?? {})
  return {
    leastSeconds: read.number(warmUp.least_s, 'warm_up.least_s', 0, 3600, false),
    note: read.text(warmUp.note, 'warm_up.note'),
  }
}

function readCommands(read: ShapeReader, value: unknown, framing: FramingSpec): Layout['commands'] {
  const given =
    value === undefined
      ? undefined
      : read.map(
          value,
          'commands',
          commandNames.map((name) => `${name}?`),
        )
  const commands: Partial<Record<CommandName, Command>> = {}
  for (const name of commandNames)
    if (given && given[name] !== undefined)
      commands[name] = readCommand(read, given[name], join('commands', name), framing)
  return commands
}

function readCommand(
  read: ShapeReader,
  value: unknown,
  path: string,
  framing: FramingSpec,
): Command | undefined {
  const command = read.map(value, path, ['bytes', 'acknowledgement?'])
  if (!command) return undefined
  const bytes = read.hex(command.bytes, join(path, 'bytes'))
  if (bytes.length > 0 && !commandIsWhole(framing, bytes))
    read.fault(join(path, 'bytes'), 'has a wrong length or checksum')
  const { acknowledgement } = command
  if (acknowledgement === undefined) return { bytes }
  return { bytes, acknowledgement: read.hexPattern(acknowledgement, join(path, 'acknowledgement')) }
}

/** A command with a wrong sum is never answered, and nobody finds out why. */
function commandIsWhole(framing: FramingSpec, bytes: Uint8Array): boolean {
  if (framing.kind === 'length-word') return lengthWordCommandIsWhole(bytes)
  if (framing.kind === 'fixed') return fixedCommandIsWhole(framing, bytes)
  return framing.kind !== 'stuffed' || stuffedCommandIsWhole(framing, bytes)
}

/** What only the whole layout shows. */
function checkWhole(read: ShapeReader, layout: Layout): void {
  checkGroups(read, layout)
  checkScalings(read, layout)
  checkCounts(read, layout)
  checkOrder(read, layout)
  if (layout.mode === 'polled' && !layout.commands.read)
    read.fault('commands.read', 'is missing: a polled instrument is asked with it')
}

function checkGroups(read: ShapeReader, layout: Layout): void {
  if (layout.framing.kind !== 'lines') return
  const names = groupNames(layout.framing.pattern)
  const allowed = `must be a named group of the pattern (${names.join(', ') || 'it has none'})`
  layout.fields.forEach((field, i) => {
    if (!names.includes(field.group!)) read.fault(join(join('fields', i), 'group'), allowed)
  })
  if (layout.error && 'group' in layout.error && !names.includes(layout.error.group))
    read.fault('error.group', allowed)
}

function checkScalings(read: ShapeReader, layout: Layout): void {
  const offered = layout.fields.map((field) => field.scaling).filter((scaling) => scaling !== undefined)
  if (offered.length > 0 && layout.scaling === undefined)
    read.fault('scaling', 'is missing: the fields give several, one must be the usual')
  if (layout.scaling !== undefined && !offered.includes(layout.scaling))
    read.fault('scaling', 'is not the scaling of any field')
  layout.fields.forEach((field, i) => {
    if (field.scaling !== undefined && !massChannels.includes(field.channel))
      read.fault(join(join('fields', i), 'scaling'), 'belongs to mass channels only')
  })
}

function checkCounts(read: ShapeReader, layout: Layout): void {
  const counted = layout.fields.map((field) => isCount(field.channel))
  if (counted.includes(true) !== (layout.counts !== undefined))
    read.fault(
      'counts',
      counted.includes(true) ? 'is missing: the rule of the count channels' : 'has no count channels',
    )
  if (counted.slice(counted.indexOf(true), counted.lastIndexOf(true)).includes(false))
    read.fault('fields', 'must have the count channels side by side')
  const first = layout.fields.find((field) => isCount(field.channel))
  if (layout.counts?.rule === 'up-to' && first && sizeRank(layout.counts.from) >= sizeRank(first.channel))
    read.fault('counts.from', `must be a smaller size than ${first.channel}`)
}

/** Each channel once in a scaling, each family in the order of size: the rules of screening rest on it. */
function checkOrder(read: ShapeReader, layout: Layout): void {
  const seen = new Map<string, number>()
  layout.fields.forEach((field, i) => {
    const path = join(join('fields', i), 'channel')
    const family = `${isCount(field.channel) ? 'count' : 'mass'} ${field.scaling ?? ''}`
    const rank = sizeRank(field.channel)
    const before = seen.get(rank < 0 ? field.channel : family)
    if (before !== undefined && before >= rank) read.fault(path, 'must come once and after the smaller sizes')
    seen.set(rank < 0 ? field.channel : family, rank)
  })
}
