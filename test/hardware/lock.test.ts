import { mkdirSync, mkdtempSync, symlinkSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { lockFolder } from '../../agent/hardware/lock.js'

describe('the lock of a data folder', () => {
  it('is had once, also by another path, and free again when it is released', async () => {
    const root = mkdtempSync(join(tmpdir(), 'motepost-lock-'))
    const folder = join(root, 'data')
    mkdirSync(folder)
    symlinkSync(folder, join(root, 'other-path'))
    const first = await lockFolder(folder)
    if (!first.ok) throw new Error(first.fault.detail)
    for (const path of [folder, join(root, 'other-path')])
      expect(await lockFolder(path)).toEqual({ ok: false, fault: { code: 'store-in-use', detail: path } })
    first.value.release()
    // Released in the next round of the loop.
    await new Promise((resolve) => setImmediate(resolve))
    expect((await lockFolder(folder)).ok).toBe(true)
  })
})
