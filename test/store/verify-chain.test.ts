import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import {
  keyFingerprint,
  openArchive,
  verifyFolder,
  type Finding,
  type Verification,
} from '../../agent/store/store.js'
import { seedOf, storedLine } from '../../agent/store/stored-line.js'
import { note, open, record, set, storeId, value } from './support.js'
import { testKey } from './test-key.js'

const key = testKey()
const second = 'lines-000000000021.csv'

/** Ten lines an hour in files of twenty; a seal at each hour, every second one signed. */
async function madeStore(id = storeId, signer = key, hours = 6): Promise<MemoryDisk> {
  const disk = new MemoryDisk()
  const store = await open(disk, { linesPerFile: 20, newStoreId: () => id })
  for (let hour = 1; hour <= hours; hour++) {
    for (let i = 0; i < 9; i++)
      if (i === 6) store.append((seq) => note(seq, 'wind from NW, 5 m/s; "gusts"'))
      else store.append(record, set)
    value(await store.seal(hour % 2 === 0 ? signer : undefined))
  }
  return disk
}

const verified = async (disk: MemoryDisk, options = {}): Promise<Verification> =>
  value(await verifyFolder(disk, options))
const rowsOf = (disk: MemoryDisk, file: string): string[] => disk.text(file).split('\n').slice(0, -1)
function edit(disk: MemoryDisk, file: string, change: (rows: string[]) => string[]): void {
  const before = rowsOf(disk, file)
  const after = change([...before])
  if (after.join('\n') === before.join('\n')) throw new Error('nothing was edited')
  disk.put(file, after.map((row) => row + '\n').join(''))
}
/** A row as it stands after a person made its check fit again. */
const withCheck = (text: string, file: string): string => storedLine(text, seedOf(storeId, file)).trimEnd()
const textIn = (row: string): string => row.slice(0, row.lastIndexOf(','))
const brief = ({ kind, file, lineNumber, from, to }: Finding) => ({ kind, file, lineNumber, from, to })
const problems = (found: Verification): Finding[] => found.findings.filter(({ kind }) => kind !== 'explained')

describe('a verification', () => {
  it('finds nothing in a folder as it was written, and says up to where it is sealed and signed', async () => {
    const found = await verified(await madeStore())
    expect(found).toMatchObject({
      storeId,
      station: 'hill',
      isArchive: false,
      problems: 0,
      notes: 0,
      findings: [],
    })
    expect(found).toMatchObject({ firstSeq: 1, seals: found.seals, keys: [key.publicKey] })
    expect(found.lines).toBe(found.lastSeq)
    expect(found.sealedTo).toBeGreaterThan(50)
    expect(found.signedTo).toBe(found.sealedTo)
    expect(found.seals).toBeGreaterThan(6)
  })

  it('names the one digit that was changed, with file and row', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) => rows.map((row) => row.replace(/^(record,25,.*),6\.25,/, '$1,8.25,')))
    const found = await verified(disk)
    expect(problems(found).map(brief)).toEqual([
      { kind: 'changed', file: second, lineNumber: 7, from: 25, to: 25 },
    ])
    expect(found.findings[0].words).toBe(
      `${second}, row 7: the row was changed after it was written: 8.25 stands where 6.25 was.`,
    )
  })

  it('tells a row changed in more than a digit', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) => rows.map((row) => row.replace('wind from', 'rain from')))
    const found = problems(await verified(disk))
    expect(found.map(({ kind }) => kind)).toContain('changed')
    expect(found[0].words).toContain('its check does not fit')
  })

  it('tells a removed row by its number and by the row it stood before', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) => rows.filter((row) => !row.startsWith('record,25,')))
    expect(problems(await verified(disk)).map(brief)).toEqual([
      { kind: 'removed', file: second, lineNumber: 7, from: 25, to: 25 },
    ])
  })

  it('tells rows removed from the end of a file from a file that is missing', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) => rows.slice(0, -3))
    expect(problems(await verified(disk)).map(brief)).toEqual([
      { kind: 'removed', file: second, lineNumber: undefined, from: 38, to: 40 },
    ])
    const other = await madeStore()
    await other.remove(second)
    const found = problems(await verified(other))
    expect(found.map(brief)).toEqual([
      { kind: 'missing-file', file: undefined, lineNumber: undefined, from: 21, to: 40 },
    ])
    expect(found[0].words).toContain('numbers 21 to 40')
    const first = await madeStore()
    await first.remove('lines-000000000001.csv')
    expect(problems(await verified(first)).map(brief)).toEqual([
      { kind: 'missing-file', file: undefined, lineNumber: undefined, from: 1, to: 20 },
    ])
  })

  it('tells rows removed from the top of a file', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) => rows.filter((row) => !/^record,2[12],/.test(row)))
    expect(problems(await verified(disk)).map(brief)).toEqual([
      { kind: 'removed', file: second, lineNumber: 3, from: 21, to: 22 },
    ])
  })

  it('shows lines taken off the very end where somebody else knows the last number', async () => {
    const disk = await madeStore(storeId, key, 5)
    const { lastSeq } = await verified(disk)
    const newest = disk.paths
      .filter((name) => name.startsWith('lines-'))
      .sort()
      .at(-1)!
    edit(disk, newest, (rows) => rows.slice(0, -2))
    expect((await verified(disk)).problems).toBe(0)
    expect(
      problems(await verified(disk, { expectedLast: lastSeq })).map(({ kind, to }) => [kind, to]),
    ).toEqual([['removed', lastSeq]])
  })

  it('tells an inserted row: one of the same number, one copied within and one from another file', async () => {
    const rowOf = (disk: MemoryDisk, file: string, start: string) =>
      rowsOf(disk, file).find((row) => row.startsWith(start))!
    const forged = await madeStore()
    const other = withCheck(textIn(rowOf(forged, second, 'record,25,')).replace(',6.25,', ',0.25,'), second)
    edit(forged, second, (rows) => [...rows.slice(0, 9), other, ...rows.slice(9)])
    expect(problems(await verified(forged)).map(brief)).toEqual([
      { kind: 'inserted', file: second, lineNumber: 10, from: 25, to: 25 },
    ])
    const doubled = await madeStore()
    edit(doubled, second, (rows) => [...rows.slice(0, 9), rows[6], ...rows.slice(9)])
    expect(problems(await verified(doubled)).map(brief)).toEqual([
      { kind: 'double', file: second, lineNumber: 10, from: 25, to: 25 },
    ])
    const copied = await madeStore()
    const stranger = rowOf(copied, 'lines-000000000001.csv', 'record,6,')
    edit(copied, second, (rows) => [...rows.slice(0, 9), stranger, ...rows.slice(9)])
    const found = problems(await verified(copied))
    expect(found.map(brief)).toEqual([
      { kind: 'foreign', file: second, lineNumber: 10, from: undefined, to: undefined },
    ])
    expect(found[0].words).toContain('was copied here from lines-000000000001.csv')
    const made = await madeStore()
    edit(made, second, (rows) => [...rows.slice(0, 9), 'record,99,by hand', ...rows.slice(9)])
    expect(problems(await verified(made)).map(({ kind, lineNumber }) => [kind, lineNumber])).toEqual([
      ['inserted', 10],
    ])
  })

  it('tells a row under a number that a start had left out', async () => {
    const disk = await madeStore()
    const store = await open(disk, { linesPerFile: 20 })
    value(await store.seal(key))
    const { skippedFrom } = store.recovered
    const file = disk.paths
      .filter((name) => name.startsWith('lines-'))
      .sort()
      .at(-1)!
    const text = textIn(rowsOf(disk, file).find((row) => row.startsWith('skip,'))!)
    const row = withCheck(`event,${skippedFrom},0a1b2c3d,1.00,,note,text=made`, file)
    edit(disk, file, (rows) => rows.flatMap((one) => (textIn(one) === text ? [one, row] : [one])))
    expect(problems(await verified(disk)).map(({ kind }) => kind)).toContain('inserted')
  })

  it('tells two rows that were swapped', async () => {
    const disk = await madeStore()
    edit(disk, second, ([header, columns, a, b, ...rest]) => [header, columns, b, a, ...rest])
    expect(problems(await verified(disk)).map(({ kind, lineNumber }) => [kind, lineNumber])).toEqual([
      ['swapped', 4],
    ])
  })

  it('tells a row that was written anew with a check that fits: the seal over it does not', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) =>
      rows.map((row) =>
        row.startsWith('record,25,') ? withCheck(textIn(row).replace(',6.25,', ',1.25,'), second) : row,
      ),
    )
    const found = problems(await verified(disk))
    expect(found.map(({ kind }) => kind)).toEqual(['rewritten'])
    expect(found[0].from).toBeLessThanOrEqual(25)
    expect(found[0].to).toBeGreaterThanOrEqual(25)
  })

  it('tells a seal that was left out, made anew or signed with another key', async () => {
    const other = await madeStore(storeId, testKey(8))
    const foreign = problems(await verified(other, { expectedKey: key.publicKey }))
    expect(new Set(foreign.map(({ kind }) => kind))).toEqual(new Set(['foreign-key']))
    expect(foreign[0].words).toContain(keyFingerprint(testKey(8).publicKey).slice(0, 19))
    const sealRow = (row: string): boolean => row.startsWith('seal,') && / *,p[0-9a-f]{64},s/.test(row)
    const file = 'lines-000000000041.csv'
    const unsigned = await madeStore()
    edit(unsigned, file, (rows) =>
      rows.map((row) =>
        sealRow(row) ? withCheck(textIn(row).replace(/s[0-9a-f]{128}$/, `s${'0'.repeat(128)}`), file) : row,
      ),
    )
    expect(problems(await verified(unsigned)).map(({ kind }) => kind)).toContain('signature')
    const anew = await madeStore()
    edit(anew, second, (rows) =>
      rows.map((row) =>
        row.startsWith('seal,')
          ? withCheck(textIn(row).replace(/h[0-9a-f]{64}/, `h${'0'.repeat(64)}`), second)
          : row,
      ),
    )
    expect(problems(await verified(anew)).map(({ kind }) => kind)).toContain('chain')
  })

  it('tells a file of another store, and one that was renamed', async () => {
    const disk = await madeStore()
    const other = await madeStore('99999999-2222-4333-8444-555555555555')
    disk.put(second, other.text(second))
    const found = problems(await verified(disk))
    expect(found.map(({ kind, file }) => [kind, file])).toEqual([
      ['foreign', second],
      ['missing-file', undefined],
    ])
    const renamed = await madeStore()
    await renamed.rename(second, 'lines-000000000022.csv')
    expect(problems(await verified(renamed))[0]).toMatchObject({
      kind: 'foreign',
      file: 'lines-000000000022.csv',
    })
    expect(problems(await verified(renamed))[0].words).toContain(`it was written as ${second}`)
  })

  describe('of a file saved by a spreadsheet', () => {
    const quoted = (cells: string[], separator: string): string =>
      cells.map((cell) => (/[",;\s]/.test(cell) ? `"${cell}"` : cell)).join(separator)
    const trimmed = (cell: string): string => (/^-?\d+\.\d+$/.test(cell) ? String(Number(cell)) : cell)
    const ways: [sign: string, save: (row: string) => string][] = [
      ['line ends CR LF', (row) => row + '\r'],
      [
        'quotes',
        (row) =>
          row
            .split(',')
            .map((cell) => `"${cell}"`)
            .join(','),
      ],
      ['zeros cut from the ends of numbers', (row) => row.split(',').map(trimmed).join(',')],
      ['semicolons between cells', (row) => quoted(row.split(','), ';')],
      ['tabs between cells', (row) => row.replaceAll(',', '\t')],
      ['empty cells at the end', (row) => row + ',,,'],
      [
        'line ends CR LF, semicolons between cells, quotes, zeros cut from the ends of numbers',
        (row) =>
          quoted(
            row.split(',').map((cell) => trimmed(cell).replace(/^(-?\d+)\.(\d+)$/, '$1,$2')),
            ';',
          ) + '\r',
      ],
    ]
    for (const [sign, save] of ways)
      it(`says so, and which sign it is: ${sign}`, async () => {
        const disk = await madeStore()
        edit(disk, second, (rows) => rows.map(save))
        const found = problems(await verified(disk))
        expect(new Set(found.map(({ kind }) => kind))).toEqual(new Set(['spreadsheet']))
        expect(found.every(({ file }) => file === second)).toBe(true)
        const told = found.filter(({ words }) =>
          sign.split(', ').every((one) => one === 'quotes' || words.includes(one)),
        )
        expect(told.length).toBeGreaterThan(0)
        expect(found.some(({ words }) => words.includes('its content is not'))).toBe(false)
      })

    it('says where the content was changed as well', async () => {
      const disk = await madeStore()
      edit(disk, second, (rows) =>
        rows.map((row) => row.replace(/^(record,25,.*),6\.25,/, '$1,8.25,') + '\r'),
      )
      const changed = problems(await verified(disk)).filter(({ words }) =>
        words.includes('its content is not'),
      )
      expect(changed.map(({ from, lineNumber }) => [from, lineNumber])).toEqual([[25, 7]])
    })
  })

  it('names what a card spoiled under a seal, and believes none of it, before and after the next start', async () => {
    const disk = await madeStore()
    disk.spoil(second, 2)
    const before = problems(await verified(disk))
    expect(before.map(({ kind, file }) => [kind, file])).toEqual([['damaged', second]])
    const late = await madeStore(storeId, key, 5)
    const newest = late.paths
      .filter((name) => name.startsWith('lines-'))
      .sort()
      .at(-1)!
    late.spoil(newest, 0)
    const store = await open(late, { linesPerFile: 20 })
    value(await store.seal(key))
    const after = problems(await verified(late))
    expect(after.map(({ kind }) => kind)).toContain('sealed-lost')
    expect(after.every(({ kind }) => kind !== 'rewritten')).toBe(true)
  })

  it('explains what a power cut left: a cut row, a torn one that the start set aside, numbers left out', async () => {
    const disk = await madeStore()
    const newest = disk.paths
      .filter((name) => name.startsWith('lines-'))
      .sort()
      .at(-1)!
    disk.put(newest, disk.text(newest) + '\0'.repeat(300) + '\nrecord,70,')
    const store = await open(disk, { linesPerFile: 20 })
    value(await store.seal(key))
    const found = await verified(disk)
    expect(problems(found)).toEqual([])
    expect(found.findings.map(({ words }) => words)).toEqual([
      expect.stringContaining('cut off by a power cut'),
      expect.stringContaining('the start after it set it aside'),
    ])
  })

  it('knows what was removed to make room, and follows the chain over it', async () => {
    const disk = await madeStore()
    const store = await open(disk, { linesPerFile: 20 })
    value(await store.seal(key))
    disk.capacityBytes = disk.paths.reduce((sum, path) => sum + disk.text(path).length, 0) / 0.95
    value(await store.makeRoom({ received: () => true, key }))
    disk.capacityBytes = Infinity
    value(await store.seal(key))
    const found = await verified(disk)
    expect(problems(found)).toEqual([])
    expect(found.gone[0][0]).toBe(1)
    expect(found.signedTo).toBe(found.sealedTo)
  })

  it('says the same of an archive, whatever the order of arrival, and which lines did not arrive', async () => {
    const source = await madeStore()
    const lines = value(await (await open(source, { linesPerFile: 20 })).lines(0, 1000))
    const sets = [set]
    for (const left of [0, 1, 5]) {
      const disk = new MemoryDisk()
      const archive = value(await openArchive({ disk, storeId, station: 'hill', linesRange: 32 }))
      const arriving = lines
        .slice(left)
        .reverse()
        .map(({ line, text }) => ({ seq: line.seq, text }))
      value(await archive.add(arriving, sets))
      value(await archive.sync())
      const found = await verified(disk)
      expect(problems(found)).toEqual([])
      expect(found).toMatchObject({ isArchive: true, lines: lines.length - left })
      expect(found.findings.length > 0).toBe(left > 0)
      const file = 'lines-000000000032-000000000063.csv'
      edit(disk, file, (rows) => rows.map((row) => row.replace(/^(record,45,.*),11\.25,/, '$1,19.25,')))
      expect(problems(await verified(disk)).map(({ kind, file }) => [kind, file])).toEqual([
        ['changed', file],
      ])
    }
  })

  it('tells at most a thousand findings of a file of rubbish, and counts the rest', async () => {
    const disk = await madeStore()
    edit(disk, second, (rows) => [...rows, ...Array<string>(8000).fill('=cmd,1,2,k00000000')])
    const found = await verified(disk)
    expect(found.findings.length).toBeLessThanOrEqual(1000)
    expect(found.problems).toBeGreaterThan(0)
    expect(found.findings.some(({ words }) => words.includes('more rows do not pass'))).toBe(true)
  })
})
