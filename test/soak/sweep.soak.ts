import { describe, expect, it } from 'vitest'
import { sweep } from '../store/sweep.js'

describe('the sweep of test/store/sweep.test.ts at each byte of each write and in more orders', () => {
  it('holds for at least fifty thousand distinct disks', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const began = Date.now()
    const counts = await sweep({ hours: 9, byteStep: 1, mostOrders: 24, seed })
    const { operations, cuts, secondCuts, images } = counts
    const seconds = Math.round((Date.now() - began) / 1000)
    console.info(
      `${operations} operations, ${cuts} cuts and ${secondCuts} second ones: ${images.size} distinct disks in ${seconds} s`,
    )
    expect(images.size).toBeGreaterThanOrEqual(50_000)
  })
})
