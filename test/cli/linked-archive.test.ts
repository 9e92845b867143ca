import { mkdirSync, mkdtempSync, renameSync, rmSync, symlinkSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { archivesIn } from '../../agent/cli/archives.js'
import { openStores } from '../../agent/cli/desk.js'
import { canonicalLine } from '../../agent/terms/terms.js'
import { note, storeId, value } from '../store/support.js'

const otherStore = '99999999-2222-4333-8444-555555555555'

describe('an archive that lies on several disks', () => {
  const base = mkdtempSync(join(tmpdir(), 'motepost-linked-'))
  const [archive, otherDisk] = [join(base, 'archive'), join(base, 'other-disk')]
  afterEach(() => rmSync(base, { recursive: true, force: true }))

  async function add(station: string, store: string, ...numbers: number[]) {
    const kept = value(await archivesIn(archive)({ group: 'oakfield', station, storeId: store }))
    const lines = numbers.map((seq) => ({ seq, text: canonicalLine(note(seq, 'made'), undefined) }))
    const added = value(await kept.add(lines, []))
    value(await kept.sync())
    return added
  }

  it('goes on in a store or a station that was moved and linked, and is read as one', async () => {
    mkdirSync(otherDisk)
    await add('gate', storeId, 1, 2, 3)
    await add('hill', otherStore, 1, 2)
    // One store of a station moves, and a whole station.
    renameSync(join(archive, 'gate', storeId), join(otherDisk, 'moved-store'))
    symlinkSync(join(otherDisk, 'moved-store'), join(archive, 'gate', storeId))
    renameSync(join(archive, 'hill'), join(otherDisk, 'hill'))
    symlinkSync(join(otherDisk, 'hill'), join(archive, 'hill'))
    expect(await add('gate', storeId, 3, 4)).toMatchObject({ added: 1, doubles: 1 })
    expect(await add('hill', otherStore, 2, 3)).toMatchObject({ added: 1, doubles: 1 })
    // A link that leads back makes nothing appear twice.
    symlinkSync(archive, join(archive, 'again'))
    const stores = await openStores(archive)
    if (!stores.ok) throw new Error(stores.words)
    const found = await Promise.all(
      stores.value.map(async ({ station, reader }) => [station, value(await reader.lines(0, 100)).length]),
    )
    expect(found).toEqual([
      ['gate', 4],
      ['hill', 3],
    ])
  })
})
