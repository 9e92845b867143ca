/** Folders made by the real store with a real key, edited as people and accidents edit them, looked at by the command. */
import { copyFileSync, cpSync, mkdirSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs'
import { createPublicKey } from 'node:crypto'
import { basename, dirname, join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { stationKey } from '../../agent/hardware/station-key.js'
import { keyFingerprint, openArchive, openStore } from '../../agent/store/store.js'
import { canonicalLine } from '../../agent/terms/terms.js'
import { verify, type VerifyOptions } from '../../agent/cli/verify.js'
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
    findings: {
      kind: string
      words: string
      file?: string
      line?: number
      from?: number
      to?: number
      first_thing?: string
    }[]
    problems: number
    lines: number
    last_seq: number
    sealed_to: number
    signed_to: number
    keys: { public_key: string; fingerprint: string }[]
  }[]
  not_proved: string[]
}

async function told(store: string, options: VerifyOptions = {}): Promise<Told['stores'][number]> {
  const { out } = await ran(() => verify({ store, json: true, ...options }))
  return (JSON.parse(out) as Told).stores[0]
}

const problemsIn = async (store: string, options: VerifyOptions = {}) =>
  (await told(store, options)).findings.filter(({ kind }) => kind !== 'explained')
const kindsIn = async (store: string, options: VerifyOptions = {}) =>
  (await problemsIn(store, options)).map(({ kind }) => kind)
const printed = (store: string, options: VerifyOptions = {}) => ran(() => verify({ store, ...options }))

/** Four hours of a station: a seal at each, the last one signed, files of 100 rows. */
async function sealedStore(id = storeId): Promise<{ folder: string; publicKey: string }> {
  const folder = newFolder()
  const disk = value(await openFolder(folder, { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => id, station: 'hill', linesPerFile: 100 }))
  const key = value(await stationKey(folder))
  for (let hour = 0; hour < 4; hour++) {
    store.append(anchor(at(hour)))
    for (const make of minutes(at(hour), 60, 12.34)) store.append(make, oneSet)
    value(await store.seal(hour === 3 ? key : undefined))
  }
  await disk.close()
  return { folder, publicKey: key.publicKey }
}

/** The row of a number in a file, counted from 1. */
const rowOf = (file: string, seq: number): number =>
  readFileSync(file, 'utf8')
    .split('\n')
    .findIndex((line) => line.split(',')[1] === String(seq)) + 1

const editRows = (file: string, change: (rows: string[]) => string[]): void =>
  spoil(file, (text) => change(text.trimEnd().split('\n')).join('\n') + '\n')

describe('verify', () => {
  it('finds nothing in a whole store, its archive and its copy, and says what that does not prove', async () => {
    const { folder, publicKey } = await sealedStore()
    const copy = join(newFolder(), 'copy')
    cpSync(folder, copy, { recursive: true })
    rmSync(join(copy, '.station-key'))
    const archive = await archiveOf(folder, (lines) => [...lines].reverse())
    for (const place of [folder, archive, copy]) {
      const { code, out } = await printed(place)
      expect(code).toBe(0)
      expect(out).toMatch(/No problem found: the checks of all \d+ rows fit/)
      expect(out).toMatch(/signed up to \d+/)
      expect(out.replace(/\s+/g, ' ')).toContain(`key: ${keyFingerprint(publicKey)}`)
      expect(out).toMatch(/What a check without findings does not prove:\n- Rows after the last seal/)
    }
  })

  it('takes the key that was noted at the station, whole or its first 16 digits, or in a file; another one fails', async () => {
    const { folder, publicKey } = await sealedStore()
    const pem = join(newFolder(), 'key.pem')
    const spki = Buffer.concat([
      Buffer.from('302a300506032b6570032100', 'hex'),
      Buffer.from(publicKey, 'hex'),
    ])
    const made = createPublicKey({ key: spki, format: 'der', type: 'spki' })
    writeFileSync(pem, made.export({ format: 'pem', type: 'spki' }))
    const fingerprint = keyFingerprint(publicKey)
    const rightOnes = [
      publicKey,
      fingerprint,
      fingerprint.slice(0, 19).toUpperCase(),
      pem,
      join(folder, '.station-key'),
    ]
    for (const key of rightOnes) expect((await printed(folder, { key })).code).toBe(0)
    const { code, out } = await printed(folder, { key: '0123 4567 89ab cdef' })
    expect([code, out.includes('first thing to do (foreign-key)')]).toEqual([1, true])
    for (const key of ['0123', join(folder, 'store.json'), join(folder, 'no-such-file')])
      expect(await printed(folder, { key })).toMatchObject({ code: 2, out: '' })
  })

  it('finds a store signed by somebody else, and one that lost all signatures, where the key is known', async () => {
    const { folder } = await sealedStore()
    const { publicKey } = await sealedStore()
    expect(await kindsIn(folder, { key: publicKey })).toContain('foreign-key')
    const unsigned = await storeOf(minutes(at(0), 30, 5))
    expect(await kindsIn(unsigned)).toEqual([])
    expect(await kindsIn(unsigned, { key: publicKey })).toEqual(['signature'])
  })

  it('names file and row of a changed digit, what stood there, and the first thing to do', async () => {
    const { folder } = await sealedStore()
    const [file] = linesFilesOf(folder)
    spoil(file, (text) => text.replace(/(record,7,.*?),12\.34,/, '$1,12.35,'))
    const { code, out } = await printed(folder)
    expect(code).toBe(1)
    expect(out.replace(/\s+/g, ' ')).toContain(
      `FOUND ${basename(file)}, row ${rowOf(file, 7)}: the row was changed after it was written: 12.35 stands where 12.34 was.`,
    )
    expect(out).toContain('first thing to do (changed): find out who had the folder in hand')
    expect(await problemsIn(folder)).toMatchObject([
      { kind: 'changed', line: rowOf(file, 7), from: 7, to: 7 },
    ])
  })

  it('tells removed, inserted, doubled and swapped rows, and a missing file, from each other', async () => {
    const edits: [string, (folder: string, file: string) => void][] = [
      [
        'removed',
        (_, file) => editRows(file, (rows) => rows.filter((row) => !/^record,(8|9|10),/.test(row))),
      ],
      ['double', (_, file) => editRows(file, (rows) => [...rows.slice(0, 9), rows[6], ...rows.slice(9)])],
      [
        'swapped',
        (_, file) => editRows(file, (rows) => [...rows.slice(0, 6), rows[7], rows[6], ...rows.slice(8)]),
      ],
      ['missing-file', (folder) => rmSync(linesFilesOf(folder)[1])],
      [
        'inserted',
        (_, file) => editRows(file, (rows) => [...rows.slice(0, 9), 'record,300,by hand', ...rows.slice(9)]),
      ],
    ]
    for (const [kind, edit] of edits) {
      const { folder } = await sealedStore()
      edit(folder, linesFilesOf(folder)[0])
      const found = await problemsIn(folder)
      expect(new Set(found.map((one) => one.kind)), kind).toEqual(new Set([kind]))
      for (const one of found) expect(one.first_thing).toBeTruthy()
      expect((await printed(folder)).code).toBe(1)
    }
  })

  it('tells a file and a row of another store, and a file that was renamed', async () => {
    const { folder } = await sealedStore()
    const other = await sealedStore('aaaa-bbbb')
    copyFileSync(linesFilesOf(other.folder)[0], join(folder, 'lines-000000000900.csv'))
    const [foreign] = await problemsIn(folder)
    expect(foreign).toMatchObject({ kind: 'foreign', file: 'lines-000000000900.csv' })
    expect(foreign.words).toContain('belongs to another store, aaaa-bbbb')

    const renamed = await sealedStore()
    const file = linesFilesOf(renamed.folder)[1]
    renameSync(file, file.replace('101', '102'))
    expect((await problemsIn(renamed.folder))[0].words).toContain('it was written as lines-000000000101.csv')
  })

  it('finds rows taken off the very end where the last number is known', async () => {
    const { folder } = await sealedStore()
    const { last_seq: last } = await told(folder)
    editRows(linesFilesOf(folder).at(-1)!, (rows) => rows.slice(0, -2))
    expect(await kindsIn(folder)).toEqual([])
    expect(await kindsIn(folder, { last })).toEqual(['removed'])
  })

  /** As the usual spreadsheets save a CSV: numbers without their zeros, quotes by need, own line ends, separator, mark. */
  const asSpreadsheet = (text: string, by: { separator: string; decimal: string; bom: boolean }): string => {
    const cell = (one: string): string => {
      const number = /^-?\d+(\.\d+)?$/.test(one) ? String(Number(one)).replace('.', by.decimal) : one
      return number.includes(by.separator) || number.includes(' ') ? `"${number}"` : number
    }
    const rows = text
      .trimEnd()
      .split('\n')
      .map((row) => row.split(',').map(cell).join(by.separator))
    return (by.bom ? '\ufeff' : '') + rows.map((row) => row + '\r\n').join('')
  }

  it('says of a file that a spreadsheet saved that this is what happened, even where it is the only one', async () => {
    for (const by of [
      { separator: ',', decimal: '.', bom: false },
      { separator: ';', decimal: ',', bom: true },
      { separator: '\t', decimal: '.', bom: false },
    ]) {
      const { folder } = await sealedStore()
      const [file] = linesFilesOf(folder)
      spoil(file, (text) => asSpreadsheet(text, by))
      const found = await problemsIn(folder)
      expect(found[0]).toMatchObject({ kind: 'spreadsheet', file: basename(file), line: 1 })
      expect(found[0].words).toContain('saved by a spreadsheet or an editor')
      expect(new Set(found.map(({ kind }) => kind))).toEqual(new Set(['spreadsheet']))
    }
    const alone = newFolder()
    const [file] = linesFilesOf((await sealedStore()).folder)
    const text = readFileSync(file, 'utf8')
    writeFileSync(
      join(alone, basename(file)),
      asSpreadsheet(text, { separator: ';', decimal: ',', bom: true }),
    )
    const { code, out } = await printed(alone)
    expect([code, out.includes('first thing to do (spreadsheet)')]).toEqual([1, true])
    expect(out).toContain(`hill, store ${storeId}`)
  })

  it('explains what a power cut and the start after it left, which is no finding', async () => {
    const store = await storeOf(minutes(at(1), 5, 5))
    appendText(linesFilesOf(store)[0], 'record,6,c12345678,0a1b')
    const tail = await told(store)
    expect(tail).toMatchObject({ problems: 0, findings: [{ kind: 'explained' }] })
    const disk = value(await openFolder(store, { create: true }))
    const again = value(await openStore({ disk, newStoreId: () => storeId, station: 'hill' }))
    again.append(minute(at(2), 5), oneSet)
    value(await again.flush())
    const { problems, findings } = await told(store)
    expect(problems).toBe(0)
    expect(findings.map(({ words }) => words).join('\n')).toContain('cut off by a power cut')
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
    expect(await problemsIn(folder)).toMatchObject([{ kind: 'conflicts', file: 'conflicts.txt' }])
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
    expect(await printed(folder, { last: 5 })).toMatchObject({ code: 2, out: '' })
  })

  it('is wrong use without a store, and nothing found in a store without rows', async () => {
    expect(await printed(newFolder())).toMatchObject({ code: 2, out: '' })
    const folder = newFolder()
    writeFileSync(
      join(folder, 'store.json'),
      JSON.stringify({ motepost: 'store', format: 1, store: storeId, station: 'hill' }) + '\n',
    )
    const { code, out } = await printed(folder)
    expect([code, out.includes('There are no rows here yet.')]).toEqual([0, true])
  })

  it('says plainly that there is nothing to verify in what import made', async () => {
    const folder = newFolder()
    writeFileSync(join(folder, 'village.series.csv'), 'start,seconds,pm2_5\n')
    for (const place of [folder, join(folder, 'village.series.csv')]) {
      const { code, err } = await printed(place)
      expect([code, err]).toEqual([
        2,
        expect.stringContaining('nothing to verify. village.series.csv was made by'),
      ])
    }
  })
})
