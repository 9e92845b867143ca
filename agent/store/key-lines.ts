/**
 * Which key could sign when. Keys that handed over to each other make a line: each is in force from its first signature behind
 * the row that names it, and the one before it no longer counts from then on. A key that nobody handed over to begins a line of
 * its own. Rows come in the order of their numbers, whatever order they arrived in.
 */
import type { HandOver } from './hand-over.js'
import type { Place, Said } from './verify-rows.js'

/** How a key came to sign. */
export type Came =
  /** It is the first of the folder. */
  | 'first'
  /** The key before signed a row that names it. */
  | 'handed-over'
  /** A row names it, and no key signed that. */
  | 'announced'
  /** Nothing says so. */
  | 'unannounced'

export interface Signed extends Place {
  readonly seq: number
  readonly publicKey: string
}

export interface NamedIn extends Place {
  readonly seq: number
  readonly before?: string
  readonly reason?: string
}

/** What one key did in its line. */
export interface Use {
  readonly publicKey: string
  readonly came: Came
  /** The row that names it. */
  readonly named?: NamedIn
  /** Signatures while it was in force, in order. */
  readonly signatures: Signed[]
  /** Signatures after another key had replaced it. */
  readonly late: Signed[]
}

export interface KeyLine {
  /** How many lines began before it. */
  readonly order: number
  readonly uses: Use[]
  /** Named by the key in force, and without a signature so far. */
  readonly next: Map<string, NamedIn>
}

export class KeyLines {
  readonly lines: KeyLine[] = []
  /** Lines in which a key is in force or named as the next, the oldest first, by key: somebody may have made up very many. */
  private readonly open = new Map<string, KeyLine[]>()
  private readonly uses = new Map<string, Use>()
  private readonly successors = new Map<string, Use>()
  /** Keys that rows without a signature name. */
  private readonly announced = new Map<string, NamedIn>()

  sign(signed: Signed): void {
    const { publicKey } = signed
    const line = this.lineWith(publicKey)
    if (line) return void this.succeed(line, publicKey).signatures.push(signed)
    const replaced = this.uses.get(publicKey)
    if (replaced) return void replaced.late.push(signed)
    const named = this.announced.get(publicKey)
    inForce(this.begin(publicKey, named ? 'announced' : undefined, named)).signatures.push(signed)
  }

  announce(said: Said<HandOver>, seq: number): void {
    this.announced.set(said.said.next, namedIn(said, seq))
  }

  /** @returns false where it is signed with a key that is not in force: it names nobody then */
  handOver(said: Said<HandOver>, before: string, seq: number): boolean {
    const open = this.lineWith(before)
    if (!open && this.lines.length > 0) return false
    const line = open ?? this.begin(before)
    this.succeed(line, before)
    const { next } = said.said
    if (!line.next.has(next)) line.next.set(next, namedIn(said, seq))
    this.opened(next, line)
    return true
  }

  /** The key that replaced another one. */
  successor(publicKey: string): Use | undefined {
    return this.successors.get(publicKey)
  }

  /** The oldest of them: what is handed over to a key counts before what it did without. */
  private lineWith(publicKey: string): KeyLine | undefined {
    return this.open.get(publicKey)?.[0]
  }

  private opened(publicKey: string, line: KeyLine): void {
    const lines = this.open.get(publicKey)
    if (!lines) return void this.open.set(publicKey, [line])
    const at = placeIn(lines, line)
    if (lines[at] !== line) lines.splice(at, 0, line)
  }

  private closed(publicKey: string, line: KeyLine): void {
    const lines = this.open.get(publicKey)
    const at = lines ? placeIn(lines, line) : 0
    if (lines?.[at] === line) lines.splice(at, 1)
  }

  private begin(publicKey: string, came?: Came, named?: NamedIn): KeyLine {
    const usual = this.lines.length === 0 ? 'first' : 'unannounced'
    const line: KeyLine = { order: this.lines.length, uses: [], next: new Map() }
    this.lines.push(line)
    this.take(line, { publicKey, came: came ?? usual, signatures: [], late: [], ...(named ? { named } : {}) })
    return line
  }

  private take(line: KeyLine, use: Use): void {
    line.uses.push(use)
    if (!this.uses.has(use.publicKey)) this.uses.set(use.publicKey, use)
    this.opened(use.publicKey, line)
  }

  /** The use of a key that is in force, or named as the next: then it is from now on. */
  private succeed(line: KeyLine, publicKey: string): Use {
    const before = inForce(line)
    if (before.publicKey === publicKey) return before
    const named = line.next.get(publicKey)!
    for (const key of [before.publicKey, ...line.next.keys()]) this.closed(key, line)
    line.next.clear()
    this.take(line, { publicKey, came: 'handed-over', named, signatures: [], late: [] })
    this.successors.set(before.publicKey, inForce(line))
    return inForce(line)
  }
}

/** Where a line stands among lines in their order, or would stand. */
function placeIn(lines: readonly KeyLine[], { order }: KeyLine): number {
  let [low, high] = [0, lines.length]
  while (low < high) {
    const middle = (low + high) >> 1
    if (lines[middle].order < order) low = middle + 1
    else high = middle
  }
  return low
}

export const inForce = ({ uses }: KeyLine): Use => uses[uses.length - 1]

function namedIn({ said, file, lineNumber }: Said<HandOver>, seq: number): NamedIn {
  const { before, reason } = said
  return {
    ...{ file, lineNumber, seq },
    ...(before === undefined ? {} : { before }),
    ...(reason === undefined ? {} : { reason }),
  }
}
