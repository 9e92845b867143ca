/** The second pass of a verification: seals, their chain, and whether the rows are those that were sealed. */
import { good, type Outcome, RangeSet } from '../terms/terms.js'
import type { StoreReader } from './reader.js'
import { hashOf, LinesHash, type Seal } from './seal.js'
import type { Findings } from './verify-chain.js'
import { isConsequence } from './verify-gaps.js'
import { KeysChecked, type KeyUse } from './verify-keys.js'
import { numbers, type Rows, type Said } from './verify-rows.js'

export interface SealsChecked {
  readonly seals: number
  readonly signatures: number
  readonly sealedTo: number
  readonly signedTo: number
  readonly keys: readonly string[]
  readonly keyUses: readonly KeyUse[]
}

export async function checkSeals(
  reader: StoreReader,
  rows: Rows,
  findings: Findings,
  expectedKey: string | undefined,
): Promise<Outcome<SealsChecked>> {
  const seals = [...rows.seals].sort((a, b) => a.said.seq - b.said.seq)
  const keys = new KeysChecked(rows, findings, expectedKey)
  if (keys.keys.length > 0)
    for (const one of rows.gone.filter(({ said }) => !said.signed))
      rows.problem('signature', one, 'the line about a removed file is not signed, though this station signs')
  const whole = checkChain(seals, rows)
  const contents = await checkContents(reader, seals, rows, findings)
  if (!contents.ok) return contents
  const fitting = seals.filter((seal) => whole.has(seal) && !contents.value.has(seal))
  const right = keys.right()
  return good({
    seals: seals.length,
    signatures: keys.signatures,
    keys: keys.keys,
    keyUses: await keys.keyUses(reader),
    sealedTo: Math.max(0, ...fitting.map(({ said }) => said.last)),
    signedTo: Math.max(0, ...fitting.filter((one) => right.has(one)).map(({ said }) => said.last)),
  })
}

/** Each seal names the one before it and goes on where that ended; gives those that do. */
function checkChain(seals: readonly Said<Seal>[], rows: Rows): Set<Said<Seal>> {
  const whole = new Set<Said<Seal>>()
  const lostSeals = new Set(rows.gone.map(({ said }) => said.sealHash))
  const goneTo = Math.max(0, ...rows.gone.map(({ said }) => said.last))
  for (const [i, seal] of seals.entries()) {
    const before = seals[i - 1] as Said<Seal> | undefined
    const { first, sealHash } = seal.said
    const follows = before && sealHash === hashOf(before.text) && first === before.said.last + 1
    const begins = !before && sealHash === undefined && first === 1
    const followsGone = sealHash !== undefined && lostSeals.has(sealHash) && first <= goneTo + 1
    if (follows || begins || followsGone) whole.add(seal)
    else if (!isConsequence(before?.said.seq ?? 0, seal.said.seq, rows))
      rows.problem('chain', seal, before ? brokenWords(seal, before) : 'the seal before this one is missing')
  }
  return whole
}

const brokenWords = ({ said }: Said<Seal>, before: Said<Seal>): string =>
  said.first > before.said.last + 1
    ? `between this seal and the one before, number ${before.said.seq}, a seal is missing`
    : `this seal was not made after the one before it, number ${before.said.seq}`

/** Compares what each seal says with the rows that stand there; gives the seals that do not fit. */
async function checkContents(
  reader: StoreReader,
  seals: readonly Said<Seal>[],
  rows: Rows,
  findings: Findings,
): Promise<Outcome<Set<Said<Seal>>>> {
  const broken = new Set<Said<Seal>>()
  const goneNumbers = RangeSet.from(rows.gone.map(({ said }) => [said.from, said.last] as const))
  const inOrder = [...seals].sort((a, b) => a.said.first - b.said.first)
  const walk = new SealWalk(inOrder, (seq, seal) => rows.isArchive && wasNotThere(seq, seal, rows))
  const scanned = await reader.scan((view) => walk.line(view.seq, view.text()))
  if (!scanned.ok) return scanned
  walk.end()
  for (const [seal, found] of walk.results) {
    const { first, last, count, hash } = seal.said
    if (found.count === count && found.hash === hash) continue
    // The lines were removed after a gone line said so, with their count and hash.
    if (found.count === 0 && goneNumbers.has(first) && goneNumbers.has(last)) continue
    broken.add(seal)
    explain(seal, found.count, rows, findings)
  }
  return good(broken)
}

/**
 * A line that left while the disk of the station failed, and never reached it: the archive has it, the seal could not count
 * it, and a skip line made before the seal says so.
 */
function wasNotThere(seq: number, seal: Seal, rows: Rows): boolean {
  if (!rows.skipped.has(seq)) return false
  return rows.skips.some((skip) => skip.from <= seq && seq <= skip.to && skip.seq < seal.seq)
}

/** Why a seal does not fit: what was told already, lines that are lost, or rows that were made to pass again. */
function explain({ said, ...place }: Said<Seal>, count: number, rows: Rows, findings: Findings): void {
  const { first, last } = said
  const lost = lostAfter(said, rows)
  for (const [from, to] of lost.ranges())
    rows.problem(
      'sealed-lost',
      place,
      `this seal covers ${numbers(from, to)}, and no row has it any more`,
      from,
      to,
    )
  if (lost.count > 0) return
  const isTold = rows.told.ranges().some(([from, to]) => from <= last && to >= first)
  if (isTold) return
  if (rows.isArchive && count < said.count) {
    const missing = said.count - count
    findings.add({
      kind: 'explained',
      ...place,
      from: first,
      to: last,
      words: `The seal over ${numbers(first, last)} cannot be checked: ${missing} of ${said.count} lines did not arrive here (yet).`,
    })
    return
  }
  rows.problem(
    'rewritten',
    place,
    `the rows of ${numbers(first, last)} are not those that were sealed (${said.count} lines then, ${count} now), though each passes its own check: they were written anew`,
    first,
    last,
  )
}

/** Numbers under a seal that were said to have no line only after it was made. */
function lostAfter({ seq, first, last }: Seal, rows: Rows): RangeSet {
  const lost = new RangeSet()
  for (const skip of rows.skips)
    if (skip.seq > seq && skip.from <= last && skip.to >= first)
      lost.add(Math.max(first, skip.from), Math.min(last, skip.to))
  return lost
}

/** Hashes the lines under each seal in one pass: seals lie one after the other. */
class SealWalk {
  readonly results = new Map<Said<Seal>, { count: number; hash: string }>()
  private at = 0
  private hash = new LinesHash()

  constructor(
    private readonly seals: readonly Said<Seal>[],
    private readonly leavesOut: (seq: number, seal: Seal) => boolean,
  ) {}

  line(seq: number, text: string): void {
    while (this.at < this.seals.length && seq > this.seals[this.at].said.last) this.next()
    const seal = this.seals[this.at]?.said as Seal | undefined
    if (seal && seq >= seal.first && !this.leavesOut(seq, seal)) this.hash.add(text)
  }

  end(): void {
    while (this.at < this.seals.length) this.next()
  }

  private next(): void {
    const { hash } = this
    this.results.set(this.seals[this.at++], { count: hash.count, hash: hash.hex() })
    this.hash = new LinesHash()
  }
}
