import { afterAll, expect, it } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { readStoreFolder, type Scanned, type ScanOptions } from '../../agent/store/store.js'
import { at, linesFilesOf, minutes, removeFolders, spoil, storeOf, value } from '../cli/desk-rig.js'

afterAll(removeFolders)

it('a second pass believes no line that the first did not, and checks again what was not sound', async () => {
  const folder = await storeOf(minutes(at(0), 40, 12), 16)
  const [, second] = linesFilesOf(folder)
  spoil(second, (text) => text.replace(',12.00,', ',92.00,'))
  const { reader } = value(await readStoreFolder(value(await openFolder(folder, { create: false }))))
  const scan = async (options: ScanOptions): Promise<{ seqs: number[]; scanned: Scanned }> => {
    const seqs: number[] = []
    const scanned = value(await reader.scan((view) => void seqs.push(view.seq), options))
    return { seqs, scanned }
  }
  const first = await scan({})
  expect(first.scanned.damaged).toBe(1)
  expect(first.scanned.sound.size).toBe(linesFilesOf(folder).length - 1)
  const again = await scan({ kind: 'record', sound: first.scanned.sound })
  expect(again.seqs).toEqual(first.seqs)
  expect(again.seqs).toHaveLength(39)
})
