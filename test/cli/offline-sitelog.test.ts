import { mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { addToFolder } from '../../agent/cli/offline-sitelog.js'
import { boardSigns } from '../../agent/hardware/board-identity.js'
import { openFolder } from '../../agent/hardware/disk.js'
import { openStore, type Board } from '../../agent/store/store.js'
import { base, goodSettings } from '../settings/support.js'
import { record, set, storeId, value } from '../store/support.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-offline-'))
afterAll(() => rmSync(folder, { recursive: true }))

const here = boardSigns()
if (here.length === 0) console.info('skipped: a store of another board (nothing tells this one from others)')

/** A data folder whose store was made on the board given, with one record. */
async function madeOn(name: string, board: Board): Promise<string> {
  const data = join(folder, name)
  const disk = value(await openFolder(data, { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => storeId, station: 'north-fence', board }))
  store.append(record, set)
  value(await store.flush())
  await disk.close()
  return data
}

const contents = (data: string): string[] =>
  readdirSync(data).map((name) => `${name}: ${readFileSync(join(data, name), 'utf8')}`)
const add = (data: string) => {
  const settings = goodSettings(base.replace('/var/lib/motepost', data))
  return addToFolder(settings, { kind: 'observed', note: 'dust on the road' })
}

describe.skipIf(here.length === 0)('the site log while no agent runs', () => {
  it('writes nothing under the numbers of another board, and says what to do', async () => {
    const data = await madeOn('cloned', [{ source: here[0].source, value: 'another board' }])
    const before = contents(data)
    const added = await add(data)
    expect(added).toMatchObject({ ok: false, fault: { code: 'store-other-board' } })
    expect(contents(data)).toEqual(before)
  })

  it('writes into the store of its own board', async () => {
    const data = await madeOn('own', here)
    expect(value(await add(data))).toMatchObject({ ok: true, safe: true })
    expect(contents(data).join('\n')).toContain('dust on the road')
  })
})
