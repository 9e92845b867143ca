import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { openArchive, type Archive, type ArchiveOptions, type ArrivedLine } from '../../agent/store/store.js'
import { canonicalLine, type Line } from '../../agent/terms/terms.js'
import { note, range, record, set, storeId, value } from './support.js'

const open = async (disk: MemoryDisk, options: Partial<ArchiveOptions> = {}): Promise<Archive> =>
  value(
    await openArchive({ disk, storeId, station: 'hill', linesRange: 10, indexEveryBytes: 200, ...options }),
  )

const arrived = (line: Line): ArrivedLine => ({ seq: line.seq, text: canonicalLine(line, set) })
const records = (from: number, to: number): ArrivedLine[] =>
  range(from, to).map((seq) => arrived(record(seq)))
const skip = (seq: number, from: number, to: number): ArrivedLine =>
  arrived({ kind: 'skip', seq, from, to, damaged: 0 })

async function addSynced(archive: Archive, lines: readonly ArrivedLine[]): Promise<void> {
  value(await archive.add(lines, [set]))
  value(await archive.sync())
}

/** Counts the bytes that are read from a disk from now on. */
function countReads(disk: MemoryDisk): { bytes: number } {
  const read = disk.read.bind(disk)
  const count = { bytes: 0 }
  disk.read = async (...args) => {
    const outcome = await read(...args)
    if (outcome.ok) count.bytes += outcome.value.length
    return outcome
  }
  return count
}

function copyOf(disk: MemoryDisk): MemoryDisk {
  const copy = new MemoryDisk()
  for (const path of disk.paths) copy.put(path, disk.text(path))
  return copy
}

/** What a start finds that has no index and reads everything. */
async function readWhole(disk: MemoryDisk, options: Partial<ArchiveOptions> = {}): Promise<Archive> {
  const copy = copyOf(disk)
  await copy.remove('index.txt')
  return open(copy, options)
}

const standing = (archive: Archive) => ({
  held: archive.ranges().ranges(),
  damaged: archive.damaged,
  columns: archive.columnSet(set.id),
})

describe('the index of an archive', () => {
  it('makes a start read less than 64 kB where there are as many files as of a year, whatever came after it was written', async () => {
    const disk = new MemoryDisk()
    // 525,600 minutes in files of 8192 are 65 files; so are these in files of 512.
    const usual = { linesRange: 512, indexEveryBytes: undefined }
    let archive = await open(disk, usual)
    const minutes = 65 * 512
    for (let from = 1; from <= minutes; from += 4096)
      await addSynced(archive, records(from, Math.min(from + 4095, minutes)))
    const read = countReads(disk)
    let most = 0
    for (let from = minutes + 1; from < minutes + 600; from += 15) {
      await addSynced(archive, records(from, from + 14))
      read.bytes = 0
      archive = await open(disk, usual)
      most = Math.max(most, read.bytes)
      expect(archive.ranges().ranges()).toEqual([[1, from + 14]])
    }
    console.info(`a start reads ${most} bytes at most`)
    expect(most).toBeLessThanOrEqual(64_000)
    value(await disk.remove('index.txt'))
    read.bytes = 0
    expect(standing(await open(disk, usual))).toEqual(standing(archive))
    expect(read.bytes).toBeGreaterThan(3_000_000)
  })

  it('tells a start the same as all of the files do', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    await addSynced(archive, [...records(1, 27), skip(64, 28, 63)])
    await addSynced(archive, [...records(70, 75), ...records(80, 81)])
    expect(disk.text('index.txt')).toContain('"held"')
    expect(standing(await open(disk))).toEqual(standing(await readWhole(disk)))
    await addSynced(await open(disk), records(65, 69))
    expect((await open(disk)).ranges().ranges()).toEqual([
      [1, 75],
      [80, 81],
    ])
  })

  it('is not believed where a file is shorter, ends otherwise or is gone', async () => {
    const name = 'lines-000000000010-000000000019.csv'
    const harms: Record<string, (disk: MemoryDisk) => Promise<unknown>> = {
      shorter: (disk) => disk.truncate(name, disk.text(name).length - 40),
      'ends otherwise': (disk) => Promise.resolve(disk.put(name, disk.text(name).slice(0, -3) + '00\n')),
      gone: (disk) => disk.remove(name),
    }
    for (const [how, harm] of Object.entries(harms)) {
      const disk = new MemoryDisk()
      await addSynced(await open(disk), records(1, 29))
      await harm(disk)
      const archive = await open(disk)
      expect(archive.ranges().has(19), how).toBe(false)
      expect(archive.ranges().has(29), how).toBe(true)
      expect(standing(archive), how).toEqual(standing(await readWhole(disk)))
    }
  })

  it('is nothing when torn, of another store, or of rows that are none of ours', async () => {
    const disk = new MemoryDisk()
    await addSynced(await open(disk), records(1, 29))
    const index = disk.text('index.txt')
    const other = new MemoryDisk()
    const otherArchive = await openArchive({
      ...{ disk: other, storeId: 'another-store', station: 'hill', linesRange: 10, indexEveryBytes: 1 },
    })
    await addSynced(value(otherArchive), records(1, 40))
    const rows = index.split(/(?<=\n)/)
    const spoiled = [
      index.slice(0, -20),
      rows.slice(0, -1).join(''),
      rows.filter((_, i) => i !== 1).join(''),
      rows.join('') + rows[1],
      index.replace('[[1,29]]', '[[1,30]]'),
      other.text('index.txt'),
      '',
      'x'.repeat(200_000),
    ]
    for (const text of spoiled) {
      disk.put('index.txt', text)
      const archive = await open(copyOf(disk))
      expect(archive.ranges().ranges(), text.slice(0, 60)).toEqual([[1, 29]])
    }
  })

  it('that cannot be written harms nothing', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    disk.beforeOperation = (_, path) => (path.startsWith('index') ? 'disk-error' : undefined)
    await addSynced(archive, records(1, 29))
    expect(disk.text('lines-000000000020-000000000029.csv')).toContain('record,29,')
    disk.beforeOperation = () => undefined
    expect((await open(disk)).ranges().ranges()).toEqual([[1, 29]])
    expect(disk.text('index.txt')).toContain('[[1,29]]')
  })

  it('agrees with the files after any order of lines, failed syncs and power cuts', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const random = seededRandom(seed)
    const pick = (n: number): number => Math.floor(random.next() * n)
    let disk = new MemoryDisk()
    let archive = await open(disk)
    let believed = 0
    for (let step = 0; step < 600; step++) {
      const from = 1 + pick(300)
      const lines = pick(8) === 0 ? [arrived(note(from, `at ${step}`))] : records(from, from + pick(15))
      value(await archive.add(pick(12) === 0 ? [skip(from, from + 1, from + pick(9))] : lines, [set]))
      disk.beforeOperation = () =>
        pick(40) === 0 ? (['disk-error', 'disk-full'] as const)[pick(2)] : undefined
      await archive.sync()
      disk.beforeOperation = () => undefined
      if (pick(4) > 0) continue
      const cuts = [
        { unsynced: 'kept' },
        { unsynced: 'lost' },
        { unsynced: 'torn', keptBytes: pick(900), rest: 'zeros' },
      ] as const
      disk.powerFailsAfter = pick(2) === 0 ? disk.operations + pick(9) : Infinity
      await archive.sync()
      disk = disk.cut(cuts[pick(cuts.length)])
      const whole = await readWhole(disk)
      archive = await open(disk)
      expect(standing(archive), `step ${step}`).toEqual(standing(whole))
      if (disk.paths.includes('index.txt')) believed++
    }
    expect(believed).toBeGreaterThan(50)
  })
})
