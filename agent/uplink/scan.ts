/**
 * Looks through bytes before anything is built from them: how deep, how many items, whether every announced length is
 * there. One pass, no recursion, no allocation that the bytes could make large.
 */
import { Refusal } from './refusal.js'

export interface ShapeLimits {
  readonly depth: number
  readonly items: number
}

/** CBOR (RFC 8949) of definite lengths, one item and nothing after it. */
export function scanCbor(bytes: Uint8Array, limits: ShapeLimits): void {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength)
  /** Items still to come on each open level. */
  const open: number[] = [1]
  let at = 0
  let items = 0
  while (open.length > 0) {
    if (open[open.length - 1] === 0) {
      open.pop()
      continue
    }
    open[open.length - 1]--
    if (++items > limits.items) throw new Refusal('too-many-items', `more than ${limits.items}`)
    const head = readHead(view, at)
    at = head.next
    const inside = itemsInside(head, limits.items)
    if (head.major === 2 || head.major === 3) at += head.value
    if (at > bytes.length) throw new Refusal('cut-short', 'a text is longer than the pack')
    if (inside > 0) open.push(inside)
    if (open.length - 1 > limits.depth) throw new Refusal('too-deep', `more than ${limits.depth} levels`)
  }
  if (at !== bytes.length) throw new Refusal('not-cbor', `${bytes.length - at} bytes after the end`)
}

interface Head {
  readonly major: number
  readonly value: number
  readonly next: number
}

function readHead(view: DataView, at: number): Head {
  if (at >= view.byteLength) throw new Refusal('cut-short', 'the pack ends inside an item')
  const first = view.getUint8(at)
  const major = first >> 5
  const short = first & 31
  if (short < 24) return { major, value: short, next: at + 1 }
  if (short > 27) throw new Refusal('not-cbor', short === 31 ? 'indefinite length' : 'reserved length')
  const width = 1 << (short - 24)
  if (at + 1 + width > view.byteLength) throw new Refusal('cut-short', 'the pack ends inside an item')
  return { major, value: wholeAt(view, at + 1, width), next: at + 1 + width }
}

function wholeAt(view: DataView, at: number, width: number): number {
  if (width === 1) return view.getUint8(at)
  if (width === 2) return view.getUint16(at)
  return width === 4 ? view.getUint32(at) : Number(view.getBigUint64(at))
}

function itemsInside(head: Head, most: number): number {
  if (head.major === 6) return 1
  if (head.major !== 4 && head.major !== 5) return 0
  const inside = head.major === 5 ? 2 * head.value : head.value
  if (inside > most) throw new Refusal('too-many-items', `a list of ${head.value}`)
  return inside
}

const quote = 0x22
const backslash = 0x5c
const openers = new Set([0x5b, 0x7b])
const closers = new Set([0x5d, 0x7d])
const separators = new Set([0x2c, 0x3a])

/** JSON: brackets and separators outside strings are counted; whether it is JSON at all is for the parser to say. */
export function scanJson(bytes: Uint8Array, limits: ShapeLimits): void {
  let depth = 0
  let items = 1
  let inText = false
  for (let i = 0; i < bytes.length; i++) {
    const byte = bytes[i]
    if (inText) {
      if (byte === backslash) i++
      else if (byte === quote) inText = false
    } else if (byte === quote) inText = true
    else if (openers.has(byte)) depth++
    else if (closers.has(byte)) depth--
    else if (separators.has(byte)) items++
    if (depth > limits.depth) throw new Refusal('too-deep', `more than ${limits.depth} levels`)
    if (items > limits.items) throw new Refusal('too-many-items', `more than ${limits.items}`)
  }
}
