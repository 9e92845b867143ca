/** What `check` does to the folder it tries: it proves that bytes get to the disk, and leaves none. */
import { mkdirSync, mkdtempSync, readdirSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, afterEach, describe, expect, it, vi } from 'vitest'
import { tryFolder } from '../../agent/cli/check-items.js'
import { FolderDisk } from '../../agent/hardware/disk.js'
import { bad } from '../../agent/terms/terms.js'

const parent = mkdtempSync(join(tmpdir(), 'motepost-check-folder-'))
afterAll(() => rmSync(parent, { recursive: true, force: true }))
afterEach(() => vi.restoreAllMocks())

describe('a folder that check tries', () => {
  it('is made where it is missing, and nothing is left in it', async () => {
    const folder = join(parent, 'new')
    expect(await tryFolder('data', folder)).toMatchObject({ well: true })
    expect(readdirSync(folder)).toEqual([])
  })

  it('is tried again and again with nothing left', async () => {
    const folder = join(parent, 'twice')
    mkdirSync(folder)
    for (let round = 0; round < 2; round++)
      expect(await tryFolder('data', folder)).toMatchObject({ well: true })
    expect(readdirSync(folder)).toEqual([])
  })

  it('is not well on a disk that takes the name of a file and not its bytes, and nothing is left either', async () => {
    const folder = join(parent, 'failing')
    mkdirSync(folder)
    vi.spyOn(FolderDisk.prototype, 'datasync').mockResolvedValue(bad('disk-error', `${folder} (EIO)`))
    const item = await tryFolder('data', folder)
    expect(item).toMatchObject({ what: 'data', well: false })
    expect(item.words).toContain(`${folder} (EIO)`)
    expect(readdirSync(folder)).toEqual([])
  })
})
