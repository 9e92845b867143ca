import { createHash } from 'node:crypto'
import { existsSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openArchive, openStore, readStoreFolder, verifyFolder } from '../../agent/store/store.js'
import { lineFormat } from '../../agent/terms/terms.js'
import { Journal, openOptions, scriptedDay } from './scripted-day.js'
import { damage, set, storeId, value } from './support.js'

/**
 * Data folders as releases left them, by format number: a later release reads each of them for ever. They are never
 * changed; MAKE_IMAGES=1 adds those of the present format that are not there yet.
 */
const images = join(import.meta.dirname, 'images')

/** What a release found in its own folder. */
interface Expected {
  readonly store: string
  readonly station: string
  readonly lines: number
  /** SHA-256 over the texts of all lines in order, an LF after each. */
  readonly sha256: string
  readonly seals: number
  readonly sealedTo: number
  readonly signedTo: number
  readonly problems: number
  readonly state?: unknown
}

async function found(disk: MemoryDisk): Promise<Expected> {
  const folder = value(await readStoreFolder(disk))
  const hash = createHash('sha256')
  const lines = value(await folder.reader.lines(0, Number.MAX_SAFE_INTEGER))
  for (const { text } of lines) hash.update(text + '\n')
  const { seals, sealedTo, signedTo, problems } = value(await verifyFolder(disk))
  const state = value(await stateFileOn(disk, 'state.json').load())
  const { storeId: store, station } = folder
  const counted = { lines: lines.length, sha256: hash.digest('hex'), seals, sealedTo, signedTo, problems }
  return { store, station, ...counted, ...(state === undefined ? {} : { state }) }
}

/** A station that lived through a power cut, a file that was removed to make room, and a card that spoiled a line. */
async function stationFolder(): Promise<MemoryDisk> {
  const disk = new MemoryDisk()
  await scriptedDay(disk, new Journal(), 5)
  const newest = disk.paths
    .filter((name) => name.startsWith('lines-'))
    .sort()
    .at(-1)!
  await disk.append(newest, Buffer.from('record,9'))
  const cut = disk.cut({ unsynced: 'kept' })
  await scriptedDay(cut, new Journal(), 3)
  const older = cut.paths
    .filter((name) => name.startsWith('lines-'))
    .sort()
    .at(1)!
  damage(cut, older, /(?<=^record,\d+,.*)60\.0/m, '60.1')
  return cut
}

async function archiveFolder(): Promise<MemoryDisk> {
  const disk = new MemoryDisk()
  const station = new MemoryDisk()
  await scriptedDay(station, new Journal(), 2)
  const lines = value(await value(await readStoreFolder(station)).reader.lines(0, Number.MAX_SAFE_INTEGER))
  const archive = value(await openArchive({ disk, storeId, station: 'hill', linesRange: 16 }))
  for (const half of [lines.slice(9), lines.slice(0, 9)]) {
    value(
      await archive.add(
        half.map(({ line, text }) => ({ seq: line.seq, text })),
        [set],
      ),
    )
    value(await archive.sync())
  }
  return disk
}

const makers: Readonly<Record<string, () => Promise<MemoryDisk>>> = {
  station: stationFolder,
  archive: archiveFolder,
}

async function makeMissing(): Promise<void> {
  for (const [name, make] of Object.entries(makers)) {
    const place = join(images, String(lineFormat), name)
    if (existsSync(place)) continue
    const disk = await make()
    mkdirSync(join(place, 'data'), { recursive: true })
    for (const path of disk.paths)
      writeFileSync(join(place, 'data', path), value(await disk.read(path, 0, 1e7)))
    writeFileSync(join(place, 'expected.json'), JSON.stringify(await found(disk), null, 2) + '\n')
  }
}

function loaded(place: string): MemoryDisk {
  const disk = new MemoryDisk()
  for (const name of readdirSync(place)) disk.put(name, readFileSync(join(place, name)))
  return disk
}

if (process.env.MAKE_IMAGES) await makeMissing()

describe('data folders of each released format', () => {
  const formats = readdirSync(images).filter((name) => /^\d+$/.test(name))
  const places = formats.flatMap((format) =>
    readdirSync(join(images, format)).map((name) => join(format, name)),
  )

  it('are there for the present format', () => {
    for (const name of Object.keys(makers)) expect(places).toContain(join(String(lineFormat), name))
  })

  for (const name of places) {
    const expected = JSON.parse(readFileSync(join(images, name, 'expected.json'), 'utf8')) as Expected

    it(`${name} is read and verified as the release that wrote it did`, async () => {
      expect(await found(loaded(join(images, name, 'data')))).toEqual(expected)
    })

    it(`${name} is gone on with: its numbers, and nothing in it is changed`, async () => {
      const disk = loaded(join(images, name, 'data'))
      const before = disk.cut({ unsynced: 'kept' })
      disk.powerFailsAfter = Infinity
      const isArchive = disk.paths.some((path) => /^lines-\d+-\d+\.csv$/.test(path))
      if (isArchive)
        expect(
          value(await openArchive({ disk, storeId: expected.store, station: expected.station })).damaged,
        ).toBe(0)
      else {
        const { store, station } = expected
        const opened = value(
          await openStore({ disk, ...openOptions, station, newStoreId: () => 'not-asked' }),
        )
        expect(opened.storeId).toBe(store)
        value(await opened.seal())
        for (const path of before.paths)
          expect(disk.text(path).startsWith(before.text(path)), path).toBe(true)
      }
    })
  }
})
