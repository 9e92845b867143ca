/**
 * Whether a folder still holds what was written: every row, every number, every seal. Works on a station's store, a
 * collector's archive or a copy of either, without settings, and writes nothing. FORMAT.md, 'Seals', says how.
 */
import { bad, good, RangeSet, type Disk, type Outcome, type Range } from '../terms/terms.js'
import { readableFiles } from './folder.js'
import { readIdentity } from './identity.js'
import { linesFiles } from './names.js'
import { StoreReader } from './reader.js'
import { Rows } from './verify-rows.js'
import { checkSeals } from './verify-seals.js'

export type FindingKind =
  /** A row was changed by hand: its check does not fit. */
  | 'changed'
  /** A row holds what a power cut or a failing card leaves. */
  | 'damaged'
  /** Rows were saved by a spreadsheet or an editor. */
  | 'spreadsheet'
  /** Rows are missing within a file. */
  | 'removed'
  /** A whole file is missing. */
  | 'missing-file'
  /** A row stands under a number that another row has, or that has no row, or the station did not write it. */
  | 'inserted'
  /** A row stands twice. */
  | 'double'
  /** Rows do not stand in the order of their numbers. */
  | 'swapped'
  /** A file or a row belongs to another file or another store. */
  | 'foreign'
  /** All rows pass, but they are not those that were sealed: rewritten with new checks. */
  | 'rewritten'
  /** Numbers that were sealed have no row any more. */
  | 'sealed-lost'
  /** A seal is missing, or does not follow the one before it. */
  | 'chain'
  /** A signature does not fit, or is missing where it should be. */
  | 'signature'
  /** Signed with a key that is not this station's. */
  | 'foreign-key'
  /** What a start found and set aside, a row cut off by a power cut, or numbers that have not arrived: explained. */
  | 'explained'

export interface Finding {
  readonly kind: FindingKind
  /** A sentence for people, with the place in it. */
  readonly words: string
  readonly file?: string
  /** Row of the file, counted from 1 as an editor does. */
  readonly lineNumber?: number
  /** The numbers it is about. */
  readonly from?: number
  readonly to?: number
}

export interface Verification {
  readonly storeId: string
  readonly station: string
  readonly isArchive: boolean
  readonly files: number
  /** Rows with a number that are believed. */
  readonly lines: number
  readonly firstSeq?: number
  readonly lastSeq?: number
  readonly seals: number
  readonly signatures: number
  /** Up to this number lines are sealed; 0 without a seal. */
  readonly sealedTo: number
  /** Up to this number a signature stands for them: its seal and, by the chain, all before it. */
  readonly signedTo: number
  /** Keys that signed, 64 hex digits each. */
  readonly keys: readonly string[]
  /** Numbers of files that were removed to make room. */
  readonly gone: readonly Range[]
  /** At most 1000, problems first; `problems` and `notes` count all. */
  readonly findings: readonly Finding[]
  readonly problems: number
  readonly notes: number
}

export interface VerifyOptions {
  /** The station's public key, where it is known from elsewhere. */
  readonly expectedKey?: string
  /** The highest number that somebody else knows to exist (a receipt, an archive). */
  readonly expectedLast?: number
}

/** What even a folder without a finding does not prove; to be told with every result. */
export const notProved: readonly string[] = [
  'Rows after the last seal, and rows taken off the end together with it, show only where somebody else knows the last number.',
  'A signature shows that the key signed, not who held it: the key lies on the same card. Note the public key at set-up.',
  'A seal shows that the figures are those the station recorded, not that the air at the inlet was the air of the place.',
]

const mostFindings = 1000

export class Findings {
  readonly problems: Finding[] = []
  readonly explained: Finding[] = []
  problemCount = 0
  noteCount = 0

  add(finding: Finding): void {
    const isNote = finding.kind === 'explained'
    const list = isNote ? this.explained : this.problems
    if (isNote) this.noteCount++
    else this.problemCount++
    if (list.length < mostFindings) list.push(finding)
  }
}

/** Reads all of a folder twice. Faults: store-foreign (also for an empty folder), disk-*. */
export async function verifyFolder(disk: Disk, options: VerifyOptions = {}): Promise<Outcome<Verification>> {
  const read = await readIdentity(disk)
  if (!read.ok) return read
  if (!read.value) return bad('store-foreign', `${disk.name} is empty`)
  const { identity, names } = read.value
  const files = readableFiles(linesFiles(names))
  const findings = new Findings()
  const rows = new Rows(identity.storeId, files, findings)
  for (const file of files) {
    const walked = await rows.walk(disk, file)
    if (!walked.ok) return walked
  }
  rows.finish(options.expectedLast)
  const reader = new StoreReader(disk, identity.storeId, () => files)
  const sealed = await checkSeals(reader, identity.storeId, rows, findings, options.expectedKey)
  if (!sealed.ok) return sealed
  return good({
    ...identity,
    isArchive: rows.isArchive,
    files: files.length,
    ...rows.summary(),
    ...sealed.value,
    gone: RangeSet.from(rows.gone.map(({ said }) => [said.from, said.last] as const)).ranges(),
    findings: [...findings.problems, ...findings.explained].slice(0, mostFindings),
    problems: findings.problemCount,
    notes: findings.noteCount,
  })
}
