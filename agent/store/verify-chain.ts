/**
 * Whether a folder still holds what was written: every row, every number, every seal. Works on a station's store, a
 * collector's archive or a copy of either, without settings, and writes nothing. FORMAT.md, 'Seals', says how.
 */
import { bad, faultText, good, RangeSet, type Disk, type Outcome, type Range } from '../terms/terms.js'
import { eachLine } from './each-line.js'
import { readableFiles } from './folder.js'
import { readIdentity, type Folder } from './identity.js'
import { conflictsName, linesFiles } from './names.js'
import { StoreReader, type ReadableFile } from './reader.js'
import { claimedIdentity } from './row-diagnosis.js'
import type { KeyUse } from './verify-keys.js'
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
  /** Signed with a key that is not this station's, or that another one had replaced. */
  | 'foreign-key'
  /** Signed with a key that a row names, but that the key before did not vouch for. */
  | 'new-key'
  /** A file cannot be read. */
  | 'unreadable'
  /** A row passes its check, but is not as this program writes it, or no columns row says what it means. */
  | 'strange'
  /** Rows came under a number that another row had, and were kept aside. */
  | 'conflicts'
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
  readonly byKind: Readonly<Record<string, number>>
  readonly firstSeq?: number
  readonly lastSeq?: number
  readonly seals: number
  readonly signatures: number
  /** Up to this number lines are sealed; 0 without a seal. */
  readonly sealedTo: number
  /** Up to this number a signature that counts stands for them: its seal and, by the chain, all before it. */
  readonly signedTo: number
  /** Keys that signed or were named as the next, 64 hex digits each. */
  readonly keys: readonly string[]
  /** What each of them did. */
  readonly keyUses: readonly KeyUse[]
  /** Numbers of files that were removed to make room. */
  readonly gone: readonly Range[]
  /** At most 1000, problems first; `problems` and `notes` count all. */
  readonly findings: readonly Finding[]
  readonly problems: number
  readonly notes: number
}

export interface VerifyOptions {
  /** A public key of the station or its fingerprint, any of those it had, where it is known from elsewhere; see `isKeyMeant`. */
  readonly expectedKey?: string
  /** The highest number that somebody else knows to exist (a receipt, an archive). */
  readonly expectedLast?: number
  /** Told how far it is, 0 to 1. */
  readonly progress?: (share: number) => void
}

/** What even a folder without a finding does not prove; to be told with every result. */
export const notProved: readonly string[] = [
  'Rows after the last seal, and rows taken off the end together with it, show only where somebody else knows the last number.',
  'A signature shows that the key signed, not who held it: the key lies on the same card, and whoever has it can hand over to another. Note the public key at set-up, and each new one.',
  'A seal shows that the figures are those the station recorded, not that the air at the inlet was the air of the place.',
]

const mostFindings = 1000
const headBytes = 4096

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

/**
 * Reads all of a folder twice; a file that cannot be read is a finding. Faults: store-foreign (also for an empty folder),
 * disk-*.
 */
export async function verifyFolder(disk: Disk, options: VerifyOptions = {}): Promise<Outcome<Verification>> {
  const whose = await whoseFolder(disk)
  if (!whose.ok) return whose
  const { identity, names } = whose.value
  const files = readableFiles(linesFiles(names))
  const findings = new Findings()
  const rows = new Rows(identity.storeId, files, findings)
  const readable = await firstPass(disk, files, rows, options.progress)
  rows.finish(options.expectedLast)
  const reader = new StoreReader(disk, identity.storeId, () => readable)
  const sealed = await checkSeals(reader, rows, findings, options.expectedKey)
  if (!sealed.ok) return sealed
  await lookAside(disk, names, findings)
  options.progress?.(1)
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

/** A folder whose headers were spoiled, by a spreadsheet say, is still to be told from one that never was a store. */
export async function whoseFolder(disk: Disk): Promise<Outcome<Folder>> {
  const read = await readIdentity(disk)
  if (read.ok) return read.value ? good(read.value) : bad('store-foreign', `${disk.name} is empty`)
  const listed = read.fault.code === 'store-foreign' ? await disk.list('') : read
  if (!listed.ok) return read
  for (const { name } of linesFiles(listed.value)) {
    const head = await disk.read(name, 0, headBytes)
    const identity = head.ok
      ? claimedIdentity(Buffer.from(head.value).toString().split('\n', 1)[0])
      : undefined
    if (identity) return good({ identity, names: listed.value })
  }
  return read
}

/** The seals are the shorter part: they are read from what the system has in memory then. */
const firstPassShare = 0.7

/** @returns the files that could be read */
async function firstPass(
  disk: Disk,
  files: readonly ReadableFile[],
  rows: Rows,
  progress: VerifyOptions['progress'],
): Promise<ReadableFile[]> {
  const readable: ReadableFile[] = []
  for (const [i, file] of files.entries()) {
    const walked = await rows.walk(disk, file)
    if (walked.ok) readable.push(file)
    else rows.unreadable(file, faultText(walked.fault))
    progress?.((firstPassShare * (i + 1)) / files.length)
  }
  return readable
}

/** What a collector kept aside for people. What starts set aside is told where it stands. */
async function lookAside(disk: Disk, names: readonly string[], findings: Findings): Promise<void> {
  let rows = 0
  if (names.includes(conflictsName)) await eachLine(disk, conflictsName, 0, undefined, () => void rows++)
  if (rows === 0) return
  const words = `${conflictsName}: rows that came under a number that another row had: ${rows}.`
  findings.add({ kind: 'conflicts', file: conflictsName, words })
}
