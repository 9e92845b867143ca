import type { AddedLines, CollectorPorts, StoreOfLines } from './options.js'

/** What became of all lines that came; faults tell what should not have come. */
export class LineCounts {
  added = 0
  doubles = 0
  conflicts = 0
  refused = 0

  take(
    { station, storeId }: StoreOfLines,
    lines: AddedLines,
    faults: CollectorPorts['faults'],
    tellRefused: (detail: string) => void,
  ): void {
    const { conflicts, refused } = lines
    this.added += lines.added
    this.doubles += lines.doubles
    this.conflicts += conflicts.length
    this.refused += refused
    const where = `${station}, store ${storeId}`
    const which =
      conflicts.length === 1 ? `line ${conflicts[0]}` : `${conflicts.length} lines from ${conflicts[0]}`
    if (conflicts.length > 0) faults.raise({ code: 'identity-conflict', detail: `${where}, ${which}` })
    if (refused > 0) tellRefused(`${where}: ${refused} lines cannot be kept`)
  }
}
