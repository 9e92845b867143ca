/** What a start makes of the files it finds; FORMAT.md, rules 3 to 12. */
import {
  bad,
  good,
  RangeSet,
  type ColumnSet,
  type Disk,
  type Fault,
  type Outcome,
  type Range,
} from '../terms/terms.js'
import type { AppendFile } from './appender.js'
import { CheckedFile } from './check-file.js'
import { damagedName, linesFiles, type LinesName } from './names.js'
import { damagedText, setAside } from './set-aside.js'
import type { Identity } from './stored-line.js'

/** Numbers are taken up again at a multiple of this. */
const numberStep = 64
const mostDamagedBytes = 256 * 1024
const mostHoles = 1000
/** So many lines nobody writes; the numbers of the lines to come have 15 digits, as a line may have. */
const lastNumber = 900_000_000_000_000

/** What a start found and did. */
export interface Recovered {
  /** Whole lines with a number in the file that was written last. */
  readonly lines: number
  /** Damaged lines set aside. */
  readonly damaged: number
  /** 1 when the last line was cut off, else 0. */
  readonly notYet: number
  /** The numbers that were left out; absent when none were. */
  readonly skippedFrom?: number
  readonly skippedTo?: number
  /** The last file could not be synced; it is not written again. */
  readonly fault?: Fault
}

export interface Start {
  readonly recovered: Recovered
  /** The files in the order in which they count. */
  readonly files: readonly LinesName[]
  /** The file to go on with, where it may be. */
  readonly open?: AppendFile
  /** Numbers between believed lines that have none, because their line is damaged or never came. */
  readonly holes: readonly Range[]
  /** Number of the first line to come. */
  readonly nextSeq: number
  /** Highest number that is safe. */
  readonly safeSeq: number
}

export async function recover(
  disk: Disk,
  { storeId }: Identity,
  names: readonly string[],
  sets: Map<string, ColumnSet>,
  atLeastSeq: number,
  leaveOut = 0,
): Promise<Outcome<Start>> {
  const files = linesFiles(names).filter((file) => file.last === undefined)
  if (files.length === 0 && atLeastSeq === 0 && leaveOut === 0) return good(emptyStart)
  const checked = await checkNewest(disk, storeId, files, sets)
  if (!checked.ok) return checked
  const [newest] = checked.value
  const fault = newest && (await syncFound(disk, newest.file.name))
  const { damaged = 0, damagedLines = [], file } = newest ?? {}
  const aside = damagedLines.map((line) => damagedText(newest.file.name, line))
  if (aside.length > 0) await setAside(disk, storeId, damagedName, aside, mostDamagedBytes)
  const highest = Math.max(atLeastSeq, files.at(-1)?.first ?? 0, ...checked.value.map((one) => one.highest))
  const safeSeq = Math.max(0, ...checked.value.map((one) => one.believed))
  const notYet = file?.openTail ? 1 : 0
  const nextSeq = nextMultiple(highest + leaveOut + 1 + damaged + notYet)
  if (nextSeq > lastNumber)
    return bad(
      'store-foreign',
      `${disk.name}: something in it has the number ${highest}, and no line can follow`,
    )
  const skipped = nextSeq > safeSeq + 1 ? { skippedFrom: safeSeq + 1, skippedTo: nextSeq - 1 } : {}
  const recovered = { lines: file?.lines ?? 0, damaged, notYet, ...skipped, ...(fault ? { fault } : {}) }
  const unchecked = files.length - checked.value.length
  const holes = holesBelow(safeSeq, checked.value, files.at(unchecked), unchecked === 0)
  return good({ recovered, files, open: fault ? undefined : file, holes, nextSeq, safeSeq })
}

/** The last two files, newest first, and as many before them as it takes to find a line that is believed. */
async function checkNewest(
  disk: Disk,
  storeId: string,
  files: readonly LinesName[],
  sets: Map<string, ColumnSet>,
): Promise<Outcome<CheckedFile[]>> {
  const checked: CheckedFile[] = []
  for (let i = files.length - 1; i >= 0; i--) {
    const read = await CheckedFile.read(disk, storeId, files[i].name, sets, { notBelow: files[i + 1]?.first })
    if (!read.ok) return read
    checked.push(read.value)
    if (checked.length >= 2 && checked.some((one) => one.believed > 0)) break
  }
  return good(checked)
}

/**
 * A card may keep the later of two sectors and lose the earlier: there numbers are missing between lines that are believed.
 * @param oldest the oldest of the files that were checked
 * @param isAll no file is older than that
 */
function holesBelow(
  safeSeq: number,
  checked: readonly CheckedFile[],
  oldest: LinesName | undefined,
  isAll: boolean,
): Range[] {
  if (!oldest) return []
  const accounted = RangeSet.from(checked.flatMap((one) => [...one.accounted.ranges()]))
  // The very first line may have been a skip line over all numbers before it.
  const from = isAll && !accounted.has(oldest.first) ? 1 : oldest.first
  return accounted.gaps(from, safeSeq).slice(-mostHoles)
}

const emptyStart: Start = {
  recovered: { lines: 0, damaged: 0, notYet: 0 },
  files: [],
  holes: [],
  nextSeq: 1,
  safeSeq: 0,
}

const nextMultiple = (n: number): number => Math.ceil(n / numberStep) * numberStep

/** Before its lines are believed: what a killed process left in the system's cache must survive the next power cut. */
async function syncFound(disk: Disk, name: string): Promise<Fault | undefined> {
  const synced = await disk.datasync(name)
  if (!synced.ok) return synced.fault
  const named = await disk.syncFolder('')
  return named.ok ? undefined : named.fault
}
