import { describe, expect, it } from 'vitest'
import { Endurance, enduredWords } from './endurance.js'
import { frameSpeed } from './frame-speed.js'

/** Heap in use may be so much more at the end of any month than at the end of the first. */
const heapGrowthBytes = 8e6

describe('a year of one station', () => {
  it('keeps memory flat, the disk within its room, every stage in balance, and each line once in the archive', async () => {
    const options = {
      ...{ days: 365, seed: Date.now() % 2 ** 31, cutEveryDays: 7 },
      capacityBytes: 90e6,
    }
    const endured = await new Endurance(options).run()
    for (const words of enduredWords(endured, options)) console.info(words)
    expect(endured.unbalanced).toEqual([])
    expect(endured.missing).toBe(0)
    expect(endured.twice).toBe(0)
    expect(endured.conflicts).toBe(0)
    expect(endured.frames).toBeGreaterThan(31_500_000)
    expect(endured.removedFiles).toBeGreaterThan(0)
    expect(endured.mostDiskBytes).toBeLessThan(options.capacityBytes)
    expect(Math.max(...endured.heapBytes) - endured.heapBytes[0]).toBeLessThan(heapGrowthBytes)
  })

  it('makes minutes of at least a million frames a CPU second', async () => {
    const speed = await frameSpeed(50)
    console.info(
      `frames to minutes (line, decoder, screening, minute; bytes made before): ${Math.round(speed)} a CPU s`,
    )
    expect(speed).toBeGreaterThan(1e6)
  })
})
