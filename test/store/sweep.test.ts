import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { sectorBytes } from '../../agent/simulation/memory-file.js'
import { verifyFolder } from '../../agent/store/store.js'
import { Journal, scriptedDay } from './scripted-day.js'
import { all, open, value } from './support.js'
import { sweep } from './sweep.js'

describe('a power cut after any operation of a scripted day, and again during the recovery', () => {
  it('loses nothing that was safe, uses no number again, believes no damaged line, accounts for all numbers', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const counts = await sweep({ hours: 5, byteStep: 5, mostOrders: 8, seed })
    console.info(
      `${counts.operations} operations, ${counts.cuts} cuts and ${counts.secondCuts} second ones: ${counts.images.size} distinct disks`,
    )
    expect(counts.images.size).toBeGreaterThanOrEqual(5000)
  }, 180_000)
})

describe('a card that spoils a sector which was safe and sealed', () => {
  it('is found out in each sector of each file: the file is named, and what stands there is not believed', async () => {
    const whole = new MemoryDisk()
    const journal = new Journal()
    await scriptedDay(whole, journal, 4)
    let spoiled = 0
    for (const path of whole.paths.filter((name) => name.startsWith('lines-')))
      for (let sector = 0; sector * sectorBytes < whole.text(path).length; sector++)
        for (const fill of [0, 255]) {
          const disk = whole.cut({ unsynced: 'kept' })
          disk.spoil(path, sector, fill)
          const { findings, problems } = value(await verifyFolder(disk))
          const about = `${path}, sector ${sector}, filled with ${fill}`
          expect(findings.length, about).toBeGreaterThan(0)
          // Where the line about a removed file is spoiled, that file is missing too.
          const named = findings.filter(({ kind }) => kind !== 'missing-file').map(({ file }) => file)
          expect(new Set(named), about).toEqual(new Set([path]))
          // At the very end nothing follows that would show a line is missing.
          const rest = whole.text(path).slice((sector + 1) * sectorBytes)
          if (sector > 0 && rest.trimEnd().includes('\n')) expect(problems, about).toBeGreaterThan(0)
          for (const line of await all(await open(disk)))
            if (line.kind === 'record' || line.kind === 'event')
              expect(journal.appended.has(line.seq), about).toBe(true)
          spoiled++
        }
    console.info(`${spoiled} spoiled sectors`)
  }, 60_000)
})
