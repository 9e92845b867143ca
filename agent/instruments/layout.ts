import type { Basis, ChannelName, Scaling } from '../terms/terms.js'

/** How a number stands in the bytes. */
export const numberTypes = ['u8', 'u16be', 'u16le', 'i16be', 'i16le', 'u32be', 'f32be', 'f32le'] as const
export type NumberType = (typeof numberTypes)[number]

/** A number in a frame that is no channel: error, version, device. */
export interface Place {
  /** Offset in the frame. In 'stuffed' frames: after unstuffing, delimiters not counted. */
  readonly at: number
  readonly type: NumberType
}

/** One value of a reading: where it stands, and what makes it the channel's unit. */
export interface Field {
  readonly channel: ChannelName
  /** Absent in text lines. */
  readonly place?: Place
  /** Name of the group in the regular expression; text lines only. */
  readonly group?: string
  /** The number divided by this is in `unit`. */
  readonly divisor: number
  /** Unit as the instrument gives it; converted to the channel's own. */
  readonly unit: string
  /** Present where the instrument gives the same mass in two scalings. */
  readonly scaling?: Scaling
  readonly basis: Basis
}

/** Start bytes, big-endian length word (bytes after it), payload, 16-bit sum of everything before the sum. */
export interface LengthWordFraming {
  readonly kind: 'length-word'
  readonly start: Uint8Array
  /** Length word of a reading. */
  readonly length: number
  /** Length words of acknowledgements. */
  readonly answers: readonly number[]
}

/** Two start bytes, fixed length, an 8-bit sum over a span, a tail byte. */
export interface FixedFraming {
  readonly kind: 'fixed'
  readonly start: Uint8Array
  /** Start bytes of acknowledgements of the same length. */
  readonly answer: Uint8Array
  readonly length: number
  readonly sumFrom: number
  readonly sumTo: number
  readonly sumAt: number
  readonly tail: number
}

/**
 * Delimiter, address, command, state, length, data, check, delimiter. The check is the inverted 8-bit sum before stuffing;
 * each byte of `stuffed` goes as the escape and itself xor 20h.
 */
export interface StuffedFraming {
  readonly kind: 'stuffed'
  readonly delimiter: number
  readonly escape: number
  readonly stuffed: Uint8Array
  readonly address: number
  /** Command whose reply is a reading. */
  readonly command: number
  /** Data bytes of a reading; a reply without data means 'nothing new'. */
  readonly length: number
}

/** Text up to a line feed (a carriage return before it is dropped); the whole line must match. */
export interface LinesFraming {
  readonly kind: 'lines'
  readonly pattern: RegExp
  /** Longest line in bytes, line end included. */
  readonly longest: number
}

export type FramingSpec = LengthWordFraming | FixedFraming | StuffedFraming | LinesFraming

export const commandNames = ['sleep', 'wake', 'active', 'passive', 'read', 'clean', 'start', 'stop'] as const
export type CommandName = (typeof commandNames)[number]

export interface Command {
  readonly bytes: Uint8Array
  /** Bytes of the expected acknowledgement; -1 stands for any byte. Absent where none is sent. */
  readonly acknowledgement?: readonly number[]
}

/** What the count channels of the instrument count. */
export type CountRule =
  | { readonly rule: 'larger-than' }
  /** From the smallest size up to the channel's size; `from` is the channel of everything above the smallest. */
  | { readonly rule: 'up-to'; readonly from: ChannelName }

/** How bytes become channels: everything that is particular to one kind of instrument. */
export interface Layout {
  readonly name: string
  /** One line for people. */
  readonly about: string
  readonly baud: number
  readonly framing: FramingSpec
  /** In the order of the channels; masses and counts each in the order of size. */
  readonly fields: readonly Field[]
  /** Of several scalings the one taken unless the settings say otherwise. */
  readonly scaling?: Scaling
  readonly error?: Place | { readonly group: string }
  readonly version?: Place
  readonly device?: Place
  readonly counts?: CountRule
  /** 'active' sends by itself; 'polled' must be asked with `read` for each reading. */
  readonly mode: 'active' | 'polled'
  readonly periodSeconds: number
  readonly warmUp: { readonly leastSeconds: number; readonly note: string }
  readonly commands: Readonly<Partial<Record<CommandName, Command>>>
}

/** The scalings a layout offers; empty where it gives each mass once. */
export function scalingsOf(layout: Layout): Scaling[] {
  return [...new Set(layout.fields.flatMap((field) => (field.scaling === undefined ? [] : [field.scaling])))]
}

/** Silence after which a partial frame is given up: three byte times of ten bits. */
export const partialSilenceSeconds = (layout: Layout): number => 30 / layout.baud
