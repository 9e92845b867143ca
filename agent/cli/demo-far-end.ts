import { openFolder } from '../hardware/disk.js'
import { readStoreFolder } from '../store/store.js'
import {
  good,
  type ColumnSet,
  type EventLine,
  type Outcome,
  type RecordLine,
  type Statistic,
} from '../terms/terms.js'

export interface FarRecord {
  readonly line: RecordLine
  readonly set: ColumnSet
}

/** What the collector's archive knows of a station. */
export interface FarEnd {
  readonly records: readonly FarRecord[]
  readonly events: readonly EventLine[]
}

export async function readFarEnd(archiveFolder: string): Promise<Outcome<FarEnd>> {
  const disk = await openFolder(archiveFolder, { create: false })
  if (!disk.ok) return disk
  const opened = await readStoreFolder(disk.value)
  if (!opened.ok) return opened
  const { reader } = opened.value
  const lines = await reader.lines(0, Number.MAX_SAFE_INTEGER)
  if (!lines.ok) return lines
  const records: FarRecord[] = []
  const events: EventLine[] = []
  for (const { line } of lines.value) {
    if (line.kind === 'event') events.push(line)
    if (line.kind !== 'record') continue
    const set = reader.columnSet(line.set)
    if (set) records.push({ line, set })
  }
  return good({ records, events })
}

/** NaN where the record has no such column or no value in it. */
export function valueOf({ line, set }: FarRecord, channel: string, statistic: Statistic): number {
  const at = set.columns.findIndex((c) => c.channel === channel && c.statistic === statistic)
  return at < 0 ? NaN : line.values[at]
}
