import type { Layout, LinesFraming } from './layout.js'
import { badLength, badShape, noFrame, undecided, type Found, type Framing } from './verdicts.js'

const lineFeed = 0x0a
const carriageReturn = 0x0d
const numberShape = /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$/

/**
 * Text lines. A line has no checksum, so it is believed whole or not at all: what follows an opened port, an overlong
 * line or a silence may be the tail of a line ('12.3' of '112.3') and is skipped up to the next line feed.
 */
export function linesFraming(layout: Layout, spec: LinesFraming, bytes: Uint8Array): Framing {
  return new Lines(layout, spec, bytes)
}

class Lines implements Framing {
  readonly view: DataView
  readonly base = 0
  found: Found = 'reading'
  private readonly groups: readonly string[]
  private readonly text = new TextDecoder()
  private skipping = true

  constructor(
    layout: Layout,
    private readonly spec: LinesFraming,
    private readonly bytes: Uint8Array,
  ) {
    const error = layout.error && 'group' in layout.error ? [layout.error.group] : []
    this.groups = [...layout.fields.map((field) => field.group!), ...error]
    this.view = new DataView(new ArrayBuffer(8 * this.groups.length))
  }

  gaveUp(): void {
    this.skipping = true
  }

  look(from: number, to: number): number {
    const { bytes, spec } = this
    if (this.skipping) {
      this.skipping = bytes[from] !== lineFeed
      return noFrame
    }
    const limit = Math.min(to, from + spec.longest)
    let end = from
    while (end < limit && bytes[end] !== lineFeed) end++
    if (end < limit) return this.judge(from, end)
    if (limit - from < spec.longest) return undecided
    this.skipping = true
    return badLength
  }

  private judge(from: number, lineEnd: number): number {
    const end = lineEnd > from && this.bytes[lineEnd - 1] === carriageReturn ? lineEnd - 1 : lineEnd
    if (end === from) this.found = 'empty'
    else if (this.take(this.text.decode(this.bytes.subarray(from, end)))) this.found = 'reading'
    else {
      this.skipping = true
      return badShape
    }
    return lineEnd + 1 - from
  }

  /** Puts the groups' numbers where the fields are read from; false where one is not a number. */
  private take(line: string): boolean {
    const groups = this.spec.pattern.exec(line)?.groups
    if (!groups) return false
    return this.groups.every((group, i) => {
      const text = groups[group] ?? ''
      if (!numberShape.test(text)) return false
      this.view.setFloat64(8 * i, Number(text))
      return true
    })
  }
}
