/** Who signed what is here: signatures, the rows in which a key names the next, and what nobody vouches for. */
import type { UtcMillis } from '../terms/terms.js'
import { isKeyMeant, keyFingerprint } from './fingerprint.js'
import { isHandedOver, type HandOver } from './hand-over.js'
import { KeyLines, type Came, type KeyLine, type NamedIn, type Signed, type Use } from './key-lines.js'
import type { StoreReader } from './reader.js'
import { isSignedRight, type Sealed } from './seal.js'
import type { Findings } from './verify-chain.js'
import { isConsequence } from './verify-gaps.js'
import type { Rows, Said } from './verify-rows.js'

/** What one key did here. */
export interface KeyUse {
  readonly publicKey: string
  readonly came: Came
  /** Number of the row that names it. */
  readonly namedBy?: number
  readonly signatures: number
  /** Numbers of its first and its last signature, and about when; absent: none yet, or nobody knows. */
  readonly from?: number
  readonly to?: number
  readonly since?: UtcMillis
  readonly until?: UtcMillis
  /** It hangs together with the key that was given, or else with the first here, by rows that the key before signed. */
  readonly vouchedFor: boolean
}

export class KeysChecked {
  signatures = 0
  private readonly lines = new KeyLines()
  private readonly said = new Map<number, Said<Sealed>>()
  private readonly anchor: KeyLine | undefined

  /** @param expectedKey see `VerifyOptions` */
  constructor(
    private readonly rows: Rows,
    private readonly findings: Findings,
    private readonly expectedKey: string | undefined,
  ) {
    const steps = [...this.signed(), ...this.handOvers()].sort((a, b) => a.at - b.at)
    for (const { act } of steps) act()
    this.anchor = this.anchorLine()
    this.tell()
  }

  /** Seals and gone lines whose signature counts. */
  right(): Set<Said<Sealed>> {
    const counted = this.anchor?.uses.flatMap((use) => use.signatures) ?? []
    return new Set(counted.map(({ seq }) => this.said.get(seq)!))
  }

  get keys(): readonly string[] {
    return [...new Set(this.uses().map(({ publicKey }) => publicKey))]
  }

  /** In the order in which they came. */
  async keyUses(reader: StoreReader): Promise<KeyUse[]> {
    const told: KeyUse[] = []
    for (const { publicKey, came, named, signatures, late } of this.uses()) {
      const [first, last] = [signatures[0] ?? late[0], late.at(-1) ?? signatures.at(-1)] as (
        Signed | undefined
      )[]
      const isTold = told.length < mostTold
      const since = isTold ? await timeBefore(reader, first?.seq) : undefined
      const until = isTold ? await timeBefore(reader, last?.seq) : undefined
      told.push({
        ...{ publicKey, came, signatures: signatures.length + late.length },
        ...(named ? { namedBy: named.seq } : {}),
        ...(first && last ? { from: first.seq, to: last.seq } : {}),
        ...(since === undefined ? {} : { since }),
        ...(until === undefined ? {} : { until }),
        vouchedFor: this.anchor?.uses.some((use) => use.publicKey === publicKey) ?? false,
      })
    }
    return told
  }

  private uses(): Use[] {
    return this.lines.lines.flatMap(({ uses }) => uses)
  }

  // ---- what came, in order ----------------------------------------------------------------------------------------------

  private signed(): Step[] {
    return [...this.rows.seals, ...this.rows.gone].flatMap((one: Said<Sealed>) => {
      const { seq, signed } = one.said
      if (!signed) return []
      this.signatures++
      if (!isSignedRight(one.text, this.rows.storeId, signed)) {
        this.rows.problem('signature', one, 'the signature does not fit the line')
        return []
      }
      this.said.set(seq, one)
      const { file, lineNumber } = one
      return [{ at: seq, act: () => this.lines.sign({ file, lineNumber, seq, publicKey: signed.publicKey }) }]
    })
  }

  private handOvers(): Step[] {
    const known = new Set<string>()
    return this.rows.handOvers.flatMap((one) => {
      const { said, seq } = one
      const { signed, before, next } = said
      if (!signed || before === undefined) return [{ at: seq, act: () => this.lines.announce(one, seq) }]
      if (!isHandedOver(said, this.rows.storeId)) {
        this.rows.problem('signature', one, `the signature that hands over to ${begin(next)} does not fit`)
        return []
      }
      // It was said again because its file went.
      if (known.has(signed.signature)) return []
      known.add(signed.signature)
      return [{ at: signed.from, act: () => this.handOver(one, before, seq) }]
    })
  }

  private handOver(one: Said<HandOver>, before: string, seq: number): void {
    if (this.lines.handOver(one, before, seq)) return
    const by = this.lines.successor(before)
    const why = by ? `which ${begin(by.publicKey)} had replaced` : 'which was not in force here'
    const words = `this row hands over to the key ${begin(one.said.next)} and is signed with ${begin(before)}, ${why}: it is not followed`
    this.rows.problem('foreign-key', one, words)
  }

  // ---- what is told -----------------------------------------------------------------------------------------------------

  private meant(use: Use): boolean {
    return this.expectedKey !== undefined && isKeyMeant(use.publicKey, this.expectedKey)
  }

  private anchorLine(): KeyLine | undefined {
    const { lines } = this.lines
    if (this.expectedKey === undefined) return lines[0]
    return lines.find(({ uses }) => {
      const meant = uses.findIndex((use) => this.meant(use))
      // It signed, or the key that it handed over to did.
      return meant >= 0 && uses.slice(meant).some(({ signatures }) => signatures.length > 0)
    })
  }

  private tell(): void {
    if (this.expectedKey !== undefined && !this.anchor) return this.tellUnknown()
    const others = this.lines.lines.filter((line) => line !== this.anchor)
    for (const line of others.slice(0, mostTold)) this.tellLine(line)
    this.tellMore(others.length)
    for (const use of this.uses()) if (use.late.length > 0) this.tellLate(use)
  }

  /** The key that was named signed nothing. */
  private tellUnknown(): void {
    const uses = this.uses()
    const named = this.lines.lines.flatMap(({ next }) => [...next]).find(([key]) => this.isNamed(key))
    if (named) this.tellNamedOnly(named[1])
    else if (uses.length === 0 && this.rows.summary().lines > 0)
      this.add('signature', 'Nothing here is signed: the key that was named vouches for no row.')
    if (!named) this.tellMore(uses.length)
    for (const { publicKey, signatures, late } of named ? [] : uses.slice(0, mostTold)) {
      const all = [...signatures, ...late]
      if (all.length > 0)
        this.tellSigned(
          'foreign-key',
          all,
          `signed with the key ${begin(publicKey)}, not with the one that was named`,
        )
    }
  }

  private isNamed(key: string): boolean {
    return isKeyMeant(key, this.expectedKey!)
  }

  private tellMore(keys: number): void {
    if (keys <= mostTold) return
    const words = `${keys} keys signed here for which nobody vouches; ${mostTold} of them are told.`
    this.findings.add({ kind: 'foreign-key', words })
  }

  private tellNamedOnly({ file, lineNumber, seq }: NamedIn): void {
    const words = `${file}, row ${lineNumber}: this row names the key that was given as the next one, and it has signed nothing here yet: it vouches for no row.`
    this.findings.add({ kind: 'signature', file, lineNumber, from: seq, to: seq, words })
  }

  /** A key that nobody handed over to, with those that came after it. */
  private tellLine(line: KeyLine): void {
    const [{ publicKey, came, named }] = line.uses
    const all = line.uses.flatMap(({ signatures }) => signatures)
    if (all.length === 0) return
    const [first] = all
    const before = this.keyBefore(first.seq, line)
    const unknown = before === undefined ? '' : `, not with the one before, ${begin(before.publicKey)}`
    const words = `signed with the key ${begin(publicKey)}${unknown}`
    if (this.isCovered(all))
      return this.tellSigned('explained', all, `${words}; the key that was given signed all of it later`)
    if (before && isConsequence(before.seq, first.seq, this.rows))
      return this.tellSigned(
        'explained',
        all,
        `${words}; the row that names it may be among those that are missing`,
      )
    if (came !== 'announced' || !named)
      return this.tellSigned('foreign-key', all, `${words}, and nothing here names it`)
    const { file, lineNumber, reason } = named
    const why = `row ${lineNumber} of ${file} names it (${reasonWords[reason ?? ''] ?? 'no reason is told'}), and the key before did not sign that: nobody vouches for it`
    this.tellSigned('new-key', all, `${words}; ${why}`)
  }

  /** The newest signature with another key before a number. */
  private keyBefore(seq: number, line: KeyLine): Signed | undefined {
    const others = this.lines.lines.filter((one) => one !== line).flatMap(({ uses }) => uses)
    const earlier = others.flatMap(({ signatures }) => signatures.filter((one) => one.seq < seq))
    return earlier.sort((a, b) => a.seq - b.seq).at(-1)
  }

  /** By the chain of seals a signature stands for all before it: what the key that was given found there it has taken over. */
  private isCovered(signatures: readonly Signed[]): boolean {
    const given = this.anchor?.uses.find((use) => this.meant(use))?.signatures.at(0)
    return given !== undefined && signatures.every(({ seq }) => seq < given.seq)
  }

  private tellLate({ publicKey, late }: Use): void {
    const by = this.lines.successor(publicKey)
    const since = by
      ? `, which ${begin(by.publicKey)} had replaced from number ${by.signatures.at(0)?.seq ?? by.named?.seq} on`
      : ''
    this.tellSigned('foreign-key', late, `signed with the key ${begin(publicKey)}${since}`)
  }

  private tellSigned(
    kind: 'foreign-key' | 'new-key' | 'explained',
    all: readonly Signed[],
    words: string,
  ): void {
    const [{ file, lineNumber, seq }, last] = [all[0], all[all.length - 1]]
    const more = all.length === 1 ? '' : ` (${all.length} signatures, up to number ${last.seq})`
    const sentence = `${file}, row ${lineNumber}: ${words}${more}.`
    this.findings.add({ kind, file, lineNumber, from: seq, to: last.seq, words: sentence })
  }

  private add(kind: 'signature', words: string): void {
    this.findings.add({ kind, words })
  }
}

/** Somebody who may write here can make up any number of keys. */
const mostTold = 100

interface Step {
  readonly at: number
  readonly act: () => void
}

const reasonWords: Readonly<Record<string, string>> = {
  lost: 'the key before was given up as lost',
  missing: 'the key before was missing at a start',
  replaced: 'another key stood in its place at a start',
  given: 'the service manager gave another key at a start',
}

const begin = (publicKey: string): string => `${keyFingerprint(publicKey).slice(0, 19)}…`

/** Records stand a minute apart; further back nobody knows. */
const mostBack = 200

/** The newest time that stands before a number: seals have none of their own. */
async function timeBefore(reader: StoreReader, seq: number | undefined): Promise<UtcMillis | undefined> {
  let utc: UtcMillis | undefined
  if (seq === undefined) return undefined
  await reader.scan((view) => void (utc = view.utc() ?? utc), {
    from: Math.max(1, seq - mostBack),
    to: seq,
    kind: 'record',
  })
  return utc
}
