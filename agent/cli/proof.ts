import { openFolder } from '../hardware/disk.js'
import { readStoreFolder } from '../store/store.js'

export interface Proof {
  readonly stored: number
  readonly missing: number
  readonly changed: number
  readonly extra: number
}

/** Compares the store of a station and its archive line by line, by number and text, as anybody could. */
export async function compareEnds(stationFolder: string, archiveFolder: string): Promise<Proof> {
  const here = await textsIn(stationFolder)
  const there = await textsIn(archiveFolder)
  let missing = 0
  let changed = 0
  for (const [seq, text] of here) {
    if (!there.has(seq)) missing++
    else if (there.get(seq) !== text) changed++
  }
  const extra = [...there.keys()].filter((seq) => !here.has(seq)).length
  return { stored: here.size, missing, changed, extra }
}

async function textsIn(folder: string): Promise<Map<number, string>> {
  const disk = await openFolder(folder, { create: false })
  const opened = disk.ok ? await readStoreFolder(disk.value) : disk
  const lines = opened.ok ? await opened.value.reader.lines(0, Number.MAX_SAFE_INTEGER) : opened
  return new Map(lines.ok ? lines.value.map(({ line, text }) => [line.seq, text]) : [])
}

export const isProven = ({ stored, missing, changed, extra }: Proof): boolean =>
  stored > 0 && missing + changed + extra === 0
