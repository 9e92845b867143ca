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
  readonly uses: Use[]
  /** Named by the key in force, and without a signature so far. */
  readonly next: Map<string, NamedIn>
}

export class KeyLines {
  readonly lines: KeyLine[] = []
  /** Keys that rows without a signature name. */
  private readonly announced = new Map<string, NamedIn>()

  sign(signed: Signed): void {
    const { publicKey } = signed
    const line = this.lines.find((one) => inForce(one).publicKey === publicKey || one.next.has(publicKey))
    if (line) return void succeed(line, publicKey).signatures.push(signed)
    const replaced = this.lines.flatMap(({ uses }) => uses).find((use) => use.publicKey === publicKey)
    if (replaced) return void replaced.late.push(signed)
    const named = this.announced.get(publicKey)
    this.begin(publicKey, named ? 'announced' : undefined, named).signatures.push(signed)
  }

  announce(said: Said<HandOver>, seq: number): void {
    this.announced.set(said.said.next, namedIn(said, seq))
  }

  /** @returns false where it is signed with a key that is not in force: it names nobody then */
  handOver(said: Said<HandOver>, before: string, seq: number): boolean {
    const line = this.lines.find((one) => inForce(one).publicKey === before || one.next.has(before))
    if (line) succeed(line, before)
    else if (this.lines.length > 0) return false
    else this.begin(before)
    const { next } = line ?? this.lines[0]
    if (!next.has(said.said.next)) next.set(said.said.next, namedIn(said, seq))
    return true
  }

  /** The key that replaced another one. */
  successor(publicKey: string): Use | undefined {
    for (const { uses } of this.lines) {
      const at = uses.findIndex((use) => use.publicKey === publicKey)
      if (at >= 0) return uses[at + 1]
    }
    return undefined
  }

  private begin(publicKey: string, came?: Came, named?: NamedIn): Use {
    const usual = this.lines.length === 0 ? 'first' : 'unannounced'
    const use = { publicKey, came: came ?? usual, signatures: [], late: [], ...(named ? { named } : {}) }
    this.lines.push({ uses: [use], next: new Map() })
    return use
  }
}

export const inForce = ({ uses }: KeyLine): Use => uses[uses.length - 1]

/** The use of a key that is in force, or named as the next: then it is from now on. */
function succeed(line: KeyLine, publicKey: string): Use {
  if (inForce(line).publicKey === publicKey) return inForce(line)
  const named = line.next.get(publicKey)!
  line.next.clear()
  line.uses.push({ publicKey, came: 'handed-over', named, signatures: [], late: [] })
  return inForce(line)
}

function namedIn({ said, file, lineNumber }: Said<HandOver>, seq: number): NamedIn {
  const { before, reason } = said
  return {
    ...{ file, lineNumber, seq },
    ...(before === undefined ? {} : { before }),
    ...(reason === undefined ? {} : { reason }),
  }
}
