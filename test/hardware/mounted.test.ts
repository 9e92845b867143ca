import { existsSync, statSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { isMounted } from '../../agent/hardware/mounted.js'

describe('a folder that must lie on a disk of its own', () => {
  it('is not opened and not made where its file system is that of the root', async () => {
    const folder = '/motepost-test-of-a-mount/data'
    const opened = await openFolder(folder, { create: true, mustBeMounted: true })
    expect(opened).toEqual({ ok: false, fault: { code: 'disk-not-mounted', detail: folder } })
    expect(existsSync('/motepost-test-of-a-mount')).toBe(false)
  })

  it.skipIf(!existsSync('/dev/shm') || statSync('/dev/shm').dev === statSync('/').dev)(
    'is well on another file system, whether or not the folder is there yet (skipped without /dev/shm)',
    async () => {
      expect((await isMounted('/dev/shm')).ok).toBe(true)
      expect((await isMounted(join('/dev/shm', 'motepost-none/data'))).ok).toBe(true)
    },
  )
})
