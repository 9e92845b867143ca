import { copyFileSync, mkdirSync, readFileSync, renameSync, writeFileSync } from 'node:fs'
import { basename, dirname, join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { openArchive, openStore } from '../../agent/store/store.js'
import { canonicalLine } from '../../agent/terms/terms.js'
import { verify } from '../../agent/cli/verify.js'
import {
  anchor,
  appendText,
  archiveOf,
  at,
  linesFilesOf,
  minute,
  minutes,
  newFolder,
  oneSet,
  ran,
  removeFolders,
  spoil,
  storeId,
  storeOf,
  value,
} from './desk-rig.js'

afterAll(removeFolders)

interface Told {
  stores: {
    findings: { kind: string; words: string; file?: string; line?: number; from?: number; to?: number }[]
    notes: string[]
    lines: number
  }[]
}

async function findings(store: string): Promise<Told['stores'][number]> {
  const { out } = await ran(() => verify({ store, json: true }))
  return (JSON.parse(out) as Told).stores[0]
}

const printed = (store: string) => ran(() => verify({ store }))

/** The place of a line's number in a text of lines, counted from 1. */
const lineOf = (file: string, seq: number): number =>
  readFileSync(file, 'utf8')
    .split('\n')
    .findIndex((line) => line.split(',')[1] === String(seq)) + 1

describe('verify', () => {
  it('finds nothing in a whole store and in its archive, and says what that does not prove', async () => {
    const store = await storeOf([anchor(at(0)), ...minutes(at(1), 700, 5)], 256)
    for (const folder of [store, await archiveOf(store, (lines) => [...lines].reverse())]) {
      const { code, out } = await printed(folder)
      expect(code).toBe(0)
      expect(out).toContain('Nothing found: the CRC of all 701 lines passes')
      expect(out).toMatch(/against accident, not against forgery/)
      expect(out).toMatch(/Lines are not signed yet/)
    }
  })

  it('names file and line of a changed digit, and does not call its number missing as well', async () => {
    const store = await storeOf(minutes(at(1), 20, 12.34))
    const [file] = linesFilesOf(store)
    spoil(file, (text) => text.replace(/(record,7,.*?),12\.34,/, '$1,12.35,'))
    const { code, out } = await printed(store)
    expect(code).toBe(1)
    expect(out).toContain(`${basename(file)}, line ${lineOf(file, 7)} (byte`)
    const { findings: found } = await findings(store)
    expect(found).toMatchObject([{ kind: 'damaged', line: lineOf(file, 7) }])
    expect(found[0].words).toContain('it seems to have been number 7')
  })

  it('names the numbers of lines that were taken out', async () => {
    const store = await storeOf(minutes(at(1), 20, 5))
    spoil(linesFilesOf(store)[0], (text) => text.replace(/(record,(8|9|10|15),.*\n)/g, ''))
    expect((await findings(store)).findings).toMatchObject([
      { kind: 'missing', from: 8, to: 10, words: expect.stringContaining('no skip line says why') as string },
      { kind: 'missing', from: 15, to: 15 },
    ])
  })

  it('finds one number with two contents, with both places; the same twice is only a note', async () => {
    const [store, other] = [await storeOf(minutes(at(1), 9, 5)), await storeOf(minutes(at(1), 9, 6))]
    const lines = (folder: string): string[] => readFileSync(linesFilesOf(folder)[0], 'utf8').split('\n')
    appendText(linesFilesOf(store)[0], lines(other).find((line) => line.startsWith('record,4,'))! + '\n')
    appendText(linesFilesOf(store)[0], lines(store).find((line) => line.startsWith('record,5,'))! + '\n')
    const found = await findings(store)
    expect(found.findings).toMatchObject([{ kind: 'same-number', line: 12 }])
    expect(found.findings[0].words).toContain(
      'number 4 stands here with another content than in lines-000000000001.csv, line 6',
    )
    expect(found.notes).toEqual(['lines that stand twice with the same content: 1; each counts once'])
  })

  it('tells a renamed file, a file saved by a spreadsheet and a file of another store from damage', async () => {
    const renamed = await storeOf(minutes(at(1), 9, 5), 4)
    const file = linesFilesOf(renamed)[1]
    renameSync(file, file.replace('005', '006'))
    expect((await findings(renamed)).findings).toMatchObject([{ kind: 'damaged-file' }])

    const saved = await storeOf(minutes(at(1), 9, 5))
    spoil(linesFilesOf(saved)[0], (text) => text.replaceAll('\n', '\r\n'))
    const { out } = await printed(saved)
    expect(out).toMatch(
      /none of its 11 lines passes: the file was\s+renamed, or saved by a spreadsheet or editor/,
    )

    const mixed = await storeOf(minutes(at(1), 9, 5))
    const strange = newFolder()
    const disk = value(await openFolder(strange, { create: true }))
    const theirs = value(await openStore({ disk, newStoreId: () => 'aaaa-bbbb', station: 'dale' }))
    theirs.append(minute(at(1), 5), oneSet)
    value(await theirs.flush())
    copyFileSync(linesFilesOf(strange)[0], join(mixed, 'lines-000000000010.csv'))
    expect((await findings(mixed)).findings).toMatchObject([
      { kind: 'other-store', words: 'this file belongs to another store, aaaa-bbbb' },
    ])
  })

  it('notes what a power cut and the start after it left, which is no finding', async () => {
    const store = await storeOf(minutes(at(1), 5, 5))
    appendText(linesFilesOf(store)[0], 'record,6,c12345678,0a1b')
    expect((await findings(store)).notes).toEqual([
      'lines-000000000001.csv, line 8 has no end yet: it is being written, or was cut off',
    ])
    const disk = value(await openFolder(store, { create: true }))
    const again = value(await openStore({ disk, newStoreId: () => storeId, station: 'hill' }))
    again.append(minute(at(2), 5), oneSet)
    value(await again.flush())
    const { findings: found, notes } = await findings(store)
    expect(found).toEqual([])
    expect(notes.join('\n')).toMatch(/numbers 6 to 63 have no line: left out by a start \(skip line 64\)/)
    expect(notes.join('\n')).toMatch(/cut off by a power cut, and ended by the start after it: 1/)
  })

  it('tells what an archive kept aside because of a number that came twice', async () => {
    const folder = newFolder()
    const disk = value(await openFolder(folder, { create: true }))
    const archive = value(await openArchive({ disk, storeId, station: 'hill' }))
    for (const mean of [5, 6]) {
      const line = minute(at(1), mean)(1)
      value(await archive.add([{ seq: 1, text: canonicalLine(line, oneSet) }], [oneSet]))
    }
    value(await archive.sync())
    expect((await findings(folder)).findings).toMatchObject([{ kind: 'conflicts', file: 'conflicts.txt' }])
  })

  it('looks at every store in a folder, and writes nothing into any', async () => {
    const folder = newFolder()
    for (const name of ['a', 'b']) {
      mkdirSync(join(folder, name))
      const [file] = linesFilesOf(await storeOf(minutes(at(1), 9, 5)))
      copyFileSync(file, join(folder, name, basename(file)))
    }
    const [first] = linesFilesOf(join(folder, 'a'))
    spoil(first, (text) => text.replace('5.00', '5.01'))
    const before = readFileSync(first)
    const { code, out } = await printed(folder)
    expect(code).toBe(1)
    expect(out.match(/a station's store/g)).toHaveLength(2)
    expect(readFileSync(first)).toEqual(before)
    expect(linesFilesOf(dirname(first))).toHaveLength(1)
  })

  it('is wrong use without a store, and nothing found in a store without lines', async () => {
    expect(await printed(newFolder())).toMatchObject({ code: 2, out: '' })
    const folder = newFolder()
    writeFileSync(
      join(folder, 'store.json'),
      JSON.stringify({ motepost: 'store', format: 1, store: storeId, station: 'hill' }) + '\n',
    )
    const { code, out } = await printed(folder)
    expect([code, out.includes('There are no lines here yet.')]).toEqual([0, true])
  })
})
