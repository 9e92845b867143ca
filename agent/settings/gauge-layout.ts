/**
 * Layouts of gauges (config/gauges/*.yaml): which register of a Modbus device, or which number of a text line, is which
 * channel. Text in, a layout out, or every fault with line, column and key, as in the settings file.
 */
import type { KeyPath, SettingsFault } from './fault.js'
import { schemaFindings, withoutEchoes } from './keys.js'
import { choice, factor, group, mapOf, number, numberChoice, onOff, text, whole } from './leaves.js'
import { atValue } from './look.js'
import { anyWords, gaugeChannelNames, plainText, type GaugeChannelName } from './patterns.js'
import { allFaults, placed } from './placed.js'
import { readYaml } from './yaml-text.js'

const kinds = ['modbus', 'text'] as const

const common = {
  layout: text('Its name, that of the file.', /^[a-z0-9][a-z0-9-]{2,39}$/, '3 to 40 of a-z, 0-9 and -'),
  about: text('What it is, for people.', plainText, anyWords),
  kind: choice('modbus: registers that are asked for; text: lines that come by themselves.', kinds),
  baud: whole('Speed of the line.', { least: 1200, most: 921_600, unit: 'baud' }).default(9600),
}

const scale = factor('Multiplies the number; the product is in V, A, W, %, °C, %RH or hPa.').default(1)

const register = group('Where the channel stands.', {
  table: choice('Which table of registers.', ['input', 'holding']).default('holding'),
  register: whole('As on the wire: the first register is 0.', { least: 0, most: 65_535 }),
  bits: numberChoice('One register, or two in a row.', [16, 32]).default(16),
  signed: onOff('Whether it can be below zero (two’s complement).').default(false),
  first_word: choice('Which half of 32 bits stands in the first register.', ['high', 'low']).default('high'),
  scale,
})

const modbusSchema = group('A layout of registers.', {
  ...common,
  channels: mapOf('Which channel stands where.', gaugeChannelNames, register),
})

const textSchema = group('A layout of text lines.', {
  ...common,
  pattern: text('A regular expression for the whole line, with a named group a number.', /./, anyWords),
  longest_bytes: whole('The longest line, line end included.', {
    least: 8,
    most: 1024,
    unit: 'bytes',
  }).default(128),
  every_s: number('A line comes at least so often.', { least: 0.1, most: 600, unit: 'seconds' }).default(10),
  channels: mapOf(
    'Which channel is which group.',
    gaugeChannelNames,
    group('Group and scale.', {
      group: text('Name of a group of the pattern.', /^[A-Za-z_]\w*$/, 'a name of letters, digits and _'),
      scale,
    }),
  ),
})

interface Named {
  readonly name: string
  readonly about: string
  readonly baud: number
}

export interface ModbusLayout extends Named {
  readonly kind: 'modbus'
  readonly channels: readonly {
    readonly channel: GaugeChannelName
    readonly table: 'input' | 'holding'
    readonly register: number
    readonly bits: 16 | 32
    readonly signed: boolean
    readonly firstWord: 'high' | 'low'
    readonly scale: number
  }[]
}

export interface TextLayout extends Named {
  readonly kind: 'text'
  /** A regular expression, as written. */
  readonly pattern: string
  readonly longestBytes: number
  readonly everySeconds: number
  readonly channels: readonly {
    readonly channel: GaugeChannelName
    readonly group: string
    readonly scale: number
  }[]
}

export type GaugeLayout = ModbusLayout | TextLayout

export type GaugeLayoutOutcome =
  | { readonly ok: true; readonly layout: GaugeLayout }
  | { readonly ok: false; readonly faults: readonly SettingsFault[] }

/** What is wrong with a part of a layout that the schema lets pass. */
export interface LayoutComplaint {
  readonly path: KeyPath
  readonly wrong: string
}

/**
 * @param fileName stands before each fault
 * @param complaints looks at the patterns of text lines, which are no matter of this folder
 */
export function readGaugeLayout(
  text: string,
  fileName: string,
  complaints: (layout: TextLayout) => readonly LayoutComplaint[] = () => [],
): GaugeLayoutOutcome {
  const yaml = readYaml(text, ['layout', 'about', 'pattern', 'group'])
  const { value } = yaml
  const schema = isText(value) ? textSchema : modbusSchema
  const findings = value === undefined ? [] : withoutEchoes(schemaFindings(value, schema))
  const faults = allFaults(yaml, findings, fileName)
  if (faults.length > 0) return { ok: false, faults }
  const layout = schema === textSchema ? textLayout(value) : modbusLayout(value)
  const complained = layout.kind === 'text' ? complaints(layout) : []
  if (complained.length === 0) return { ok: true, layout }
  const told = complained.map(({ path, wrong }) =>
    placed(atValue(path, { code: 'wrong-text', wrong }), yaml, fileName),
  )
  return { ok: false, faults: told }
}

const isText = (value: unknown): boolean =>
  typeof value === 'object' && value !== null && (value as { kind?: unknown }).kind === 'text'

const entriesOf = <T>(channels: Partial<Record<GaugeChannelName, T>>) =>
  Object.entries(channels) as [GaugeChannelName, T][]

function modbusLayout(value: unknown): ModbusLayout {
  const { layout, about, baud, channels } = modbusSchema.parse(value)
  const listed = entriesOf(channels).map(([channel, { first_word, ...same }]) => ({
    channel,
    firstWord: first_word,
    ...same,
  }))
  return { kind: 'modbus', name: layout, about, baud, channels: listed }
}

function textLayout(value: unknown): TextLayout {
  const { layout, about, baud, pattern, longest_bytes, every_s, channels } = textSchema.parse(value)
  return {
    kind: 'text',
    name: layout,
    about,
    baud,
    pattern,
    longestBytes: longest_bytes,
    everySeconds: every_s,
    channels: entriesOf(channels).map(([channel, from]) => ({ channel, ...from })),
  }
}
