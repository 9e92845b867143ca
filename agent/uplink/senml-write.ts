/**
 * Writes SenML entries (RFC 8428) one field at a time, in CBOR (section 6, labels as small integers, decimals as decimal
 * fractions of RFC 8949 section 3.4.4) or in JSON (section 5). No value passes through a binary fraction: what goes in as
 * mantissa and decimals comes out as the same digits.
 */

/** Labels of RFC 8428 table 4 that this program writes. */
export const labels = { bver: -1, bn: -2, bt: -3, bu: -4, n: 0, u: 1, v: 2, vs: 3, t: 6 } as const
export type Label = keyof typeof labels

export interface SenmlWriter {
  /** Begins an entry of exactly so many fields. */
  entry(fields: number): void
  text(label: Label, value: string): void
  whole(label: Label, value: number): void
  /** mantissa / 10^decimals; both whole, the mantissa of at most 15 digits. */
  decimal(label: Label, mantissa: number, decimals: number): void
  finish(): Uint8Array
}

export const senmlWriter = (encoding: 'cbor' | 'json'): SenmlWriter =>
  encoding === 'cbor' ? new CborWriter() : new JsonWriter()

const major = { unsigned: 0, negative: 1, text: 3, array: 4, map: 5, tag: 6 } as const
const decimalFraction = 4
/** Room for the head of the outermost array, known only at the end. */
const room = 5

class CborWriter implements SenmlWriter {
  private bytes = Buffer.allocUnsafe(16_384)
  private at = room
  private entries = 0

  entry(fields: number): void {
    this.entries++
    this.head(major.map, fields)
  }

  text(label: Label, value: string): void {
    this.integer(labels[label])
    const length = Buffer.byteLength(value)
    this.head(major.text, length)
    this.reserve(length)
    this.at += this.bytes.write(value, this.at)
  }

  whole(label: Label, value: number): void {
    this.integer(labels[label])
    this.integer(value)
  }

  decimal(label: Label, mantissa: number, decimals: number): void {
    this.integer(labels[label])
    if (decimals > 0) {
      this.head(major.tag, decimalFraction)
      this.head(major.array, 2)
      this.integer(-decimals)
    }
    this.integer(mantissa)
  }

  finish(): Uint8Array {
    const end = this.at
    const headLength = lengthOfHead(this.entries)
    this.at = room - headLength
    this.head(major.array, this.entries)
    return new Uint8Array(
      this.bytes.buffer,
      this.bytes.byteOffset + room - headLength,
      end - room + headLength,
    )
  }

  private integer(value: number): void {
    if (value < 0) this.head(major.negative, -1 - value)
    else this.head(major.unsigned, value)
  }

  private head(kind: number, n: number): void {
    this.reserve(9)
    const first = kind << 5
    if (n < 24) this.bytes[this.at++] = first | n
    else if (n < 0x100) this.at = this.bytes.writeUInt8(n, this.lead(first | 24))
    else if (n < 0x1_0000) this.at = this.bytes.writeUInt16BE(n, this.lead(first | 25))
    else if (n < 0x1_0000_0000) this.at = this.bytes.writeUInt32BE(n, this.lead(first | 26))
    else this.at = this.bytes.writeBigUInt64BE(BigInt(n), this.lead(first | 27))
  }

  private lead(byte: number): number {
    this.bytes[this.at] = byte
    return this.at + 1
  }

  private reserve(length: number): void {
    if (this.at + length <= this.bytes.length) return
    const larger = Buffer.allocUnsafe(2 * this.bytes.length + length)
    this.bytes.copy(larger, 0, 0, this.at)
    this.bytes = larger
  }
}

function lengthOfHead(n: number): number {
  if (n < 24) return 1
  if (n < 0x100) return 2
  return n < 0x1_0000 ? 3 : 5
}

class JsonWriter implements SenmlWriter {
  private readonly parts: string[] = []
  private left = 0

  entry(fields: number): void {
    this.parts.push(this.parts.length === 0 ? '[{' : ',\n{')
    this.left = fields
  }

  text(label: Label, value: string): void {
    this.field(label, JSON.stringify(value))
  }

  whole(label: Label, value: number): void {
    this.field(label, String(value))
  }

  decimal(label: Label, mantissa: number, decimals: number): void {
    const digits = String(Math.abs(mantissa)).padStart(decimals + 1, '0')
    const point = digits.length - decimals
    const text = decimals > 0 ? `${digits.slice(0, point)}.${digits.slice(point)}` : digits
    this.field(label, mantissa < 0 ? '-' + text : text)
  }

  finish(): Uint8Array {
    if (this.parts.length === 0) this.parts.push('[')
    return new TextEncoder().encode(this.parts.join('') + ']\n')
  }

  private field(label: Label, value: string): void {
    this.left--
    this.parts.push(`"${label}":${value}${this.left > 0 ? ',' : '}'}`)
  }
}
