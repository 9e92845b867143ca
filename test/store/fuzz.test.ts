/**
 * A copied folder from anybody, a stolen card put back, an archive that somebody wrote into: the CRC of a line is no secret, so what
 * passes it may still be anything. Whoever reads such a folder ends with a value, in bounded work, and believes no line that this
 * program would not have written.
 */
import { crc32 } from 'node:zlib'
import { describe, expect, it } from 'vitest'
import { BlockSums } from '../../agent/averages/averages.js'
import type { DeskStore } from '../../agent/cli/desk.js'
import { boundText, eachRecord } from '../../agent/cli/desk-records.js'
import { survey } from '../../agent/cli/desk-survey.js'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import {
  fileStart,
  followFile,
  folderFiles,
  openArchive,
  openStore,
  readStoreFolder,
  verifyFolder,
} from '../../agent/store/store.js'
import { canonicalLine, columnSetText, parseColumnSet, parseLine, utcText } from '../../agent/terms/terms.js'
import { must, throughAll, throughAllInTurn, type Mutations } from '../support/mutations.js'
import { boot, firstFile, set, storeId } from './support.js'

const withCrc = (text: string, file: string): string =>
  `${text},k${crc32(`${storeId}/${file}${text}`).toString(16).padStart(8, '0')}`

const secondFile = 'lines-000000000008.csv'
const hashes = `h${'ab'.repeat(32)}`
const lines: Readonly<Record<string, readonly string[]>> = {
  [firstFile]: [
    `file,,1,${storeId},hill,${firstFile}`,
    `event,1,${boot},60.00,,started,session=1;version=0.1.0`,
    `anchor,2,${boot},61.00,2026-03-01T00:01:01.250Z,ntp,0.500`,
    columnSetText(set),
    `record,3,${set.id},${boot},120.00,60.0,60.0,2026-03-01T00:02:00Z,0.50,60.0,,`,
    `record,4,${set.id},ffffffff,180.00,60.0,60.0,,,0.0,warm-up=30.0,spike=3.0`,
    `event,5,${boot},240.00,2026-03-01T00:04:00Z,site,kind=set-up;from=2026-03-01T00:04:00Z;effect=none;place=north fence`,
    `event,6,${boot},250.00,,anchors-withdrawn,from=2;to=2`,
    `seal,7,1,6,6,${hashes},,${'cd'.repeat(32)},${'ef'.repeat(64)}`,
  ],
  [secondFile]: [
    `file,,1,${storeId},hill,${secondFile}`,
    `event,8,00000001,1.00,,settings,standard_offset_minutes=60;zone=Etc/GMT-1`,
    `anchor,9,00000001,2.00,2026-03-02T00:00:00.000Z,ntp,0.500`,
    columnSetText(set),
    `record,10,${set.id},00000001,60.00,60.0,60.0,,1.25,60.0,,`,
    `gone,11,1,7,7,${hashes},${hashes},1,,${firstFile},full,,`,
    `skip,64,12,63,0`,
    `later,65,some,thing`,
    `record,66,${set.id},00000001,3900.00,60.0,60.0,2026-03-02T01:05:00Z,16.25,60.0,,`,
  ],
}
const identity = JSON.stringify({ motepost: 'store', format: 1, store: storeId, station: 'hill' })

/** What each file holds: lines bent before their CRC was worked out, bytes bent after, and lines moved about. */
function bentFolder(mutations: Mutations): Record<string, Uint8Array> {
  const folder: Record<string, Uint8Array> = { 'store.json': Buffer.from(identity) }
  for (const [name, texts] of Object.entries(lines)) {
    const bent = texts.map((text) => (mutations.once(6) ? mutations.bentText(text) : text))
    if (mutations.once(6))
      bent.splice(mutations.pick(bent.length), mutations.pick(3), mutations.of(Object.values(lines).flat()))
    if (mutations.once(6)) bent.push(largest(mutations, mutations.of(texts)))
    const file = Buffer.from(bent.map((text) => `${withCrc(text.replaceAll('\n', ' '), name)}\n`).join(''))
    folder[
      mutations.once(20)
        ? mutations.of(['lines-000000000001-000000000007.csv', 'lines-9.csv', 'x.csv'])
        : name
    ] = mutations.once(5) ? mutations.bent(file) : file
  }
  if (mutations.once(8)) folder['store.json'] = mutations.bent(Buffer.from(identity))
  if (mutations.once(8)) folder['index.txt'] = mutations.noise()
  return folder
}

/** The same line with its numbers as large as they go. */
const largest = (mutations: Mutations, text: string): string =>
  text.replace(/(?<=,)\d+(\.\d+)?(?=,|$)/g, (digits) =>
    mutations.once(2)
      ? digits
      : mutations.of(['9'.repeat(20), '9999999999.99', '1e21', '604801.0', '999999999999999']),
  )

function diskOf(folder: Readonly<Record<string, Uint8Array>>): MemoryDisk {
  const disk = new MemoryDisk()
  for (const [name, bytes] of Object.entries(folder)) disk.put(name, bytes)
  return disk
}

const canonical = (text: string, sets: Parameters<typeof parseLine>[1]): boolean =>
  parseLine(text, sets) !== undefined

async function readAll(disk: MemoryDisk): Promise<string> {
  const opened = await readStoreFolder(disk)
  if (!opened.ok) return opened.fault.code
  const { reader } = opened.value
  const read = await reader.lines(0, Number.MAX_SAFE_INTEGER)
  must(read.ok, 'the lines cannot be read')
  const known = new Map([[set.id, set]])
  for (const { text, line } of read.ok ? read.value : [])
    must(line.kind === 'record' ? reader.columnSet(line.set) !== undefined : canonical(text, known), text)
  return 'read'
}

/** As the commands of the desk go through a store: everything is placed in time, and summed by quarter-hours. */
async function figures(disk: MemoryDisk): Promise<void> {
  const [opened, files] = [await readStoreFolder(disk), await folderFiles(disk)]
  if (!opened.ok || !files.ok || !files.value) return
  const store = { ...opened.value, ...files.value, folder: '', disk } as unknown as DeskStore
  const surveyed = await survey(store)
  if (!surveyed.ok) throw new Error(surveyed.fault.detail)
  const sums = new BlockSums(900)
  let placed = 0
  const read = await eachRecord(store, surveyed.value, ({ view, utc, seconds, bound }) => {
    if (bound) boundText(bound)
    if (utc === undefined) return
    placed++
    utcText(utc)
    for (let i = -1; i < 4; i++) view.value(i)
    void [view.boot(), view.planned(), view.mono(), view.excluded(), view.marked(), view.text(), view.line()]
    sums.add({
      from: utc,
      seconds,
      plannedSeconds: view.planned(),
      usedSeconds: view.value(1),
      mean: view.value(0),
      marked: false,
      over: false,
    })
  })
  must(read.ok, 'records cannot be read')
  must(sums.days().length <= 9 * placed, `${sums.days().length} days of ${placed} records`)
  surveyed.value.site.entries()
}

describe('a line that anybody wrote', () => {
  it('is none, or says exactly what stands there, in numbers and times that can be', () => {
    const known = new Map([[set.id, set]])
    const texts = Object.values(lines).flat()
    const ends = throughAll({
      what: 'lines',
      inputs: 20_000,
      make: (mutations) =>
        mutations.once(3) ? largest(mutations, mutations.of(texts)) : mutations.bentText(mutations.of(texts)),
      hold: (text) => {
        const columns = parseColumnSet(text)
        must(!columns || columnSetText(columns) === text, 'columns that are written otherwise')
        const line = parseLine(text, known)
        if (!line) return columns ? 'columns' : 'none'
        must(canonicalLine(line, set) === text, 'written again it is another')
        must(text.length <= 8192 && Number.isSafeInteger(line.seq), 'longer than a line')
        if ('mono' in line) must(Math.abs(line.mono) < 1e10, `${line.mono} s`)
        if (line.kind === 'record') must(Math.max(line.seconds, line.planned) <= 7 * 86_400, 'too long')
        if ('utc' in line && line.utc !== undefined) utcText(line.utc)
        return line.kind
      },
    })
    for (const kind of ['record', 'event', 'anchor', 'other'])
      expect(ends.get(kind), kind).toBeGreaterThan(10)
  })
})

describe('a folder that anybody wrote', () => {
  it('is read, followed, verified and summed to an end, and no line in it is believed that is not canonical', async () => {
    const ends = await throughAllInTurn({
      what: 'folders',
      inputs: 1500,
      make: bentFolder,
      hold: async (folder) => {
        const end = await readAll(diskOf(folder))
        await figures(diskOf(folder))
        const verified = await verifyFolder(diskOf(folder))
        if (verified.ok) {
          must(verified.value.findings.length <= 1000, 'findings without end')
          for (const { words } of verified.value.findings) must(words.length < 2000, words)
        }
        for (const name of Object.keys(folder)) {
          const followed = await followFile(diskOf(folder), storeId, name, fileStart, 5)
          must(followed.ok && followed.value.lines.length <= 5, 'it is followed too far')
        }
        return end
      },
    })
    expect(ends.get('read')).toBeGreaterThan(500)
  })

  it('can be started on by a station and a collector: a new line is kept, under a number of its own', async () => {
    const ends = await throughAllInTurn({
      what: 'starts',
      inputs: 700,
      make: (mutations) => ({ folder: bentFolder(mutations), isArchive: mutations.once(2) }),
      hold: async ({ folder, isArchive }) => {
        const disk = diskOf(folder)
        if (isArchive) {
          const archive = await openArchive({ disk, storeId, station: 'hill' })
          if (!archive.ok) return archive.fault.code
          const text = `event,70,${boot},99.00,,note,text=new`
          const added = await archive.value.add([{ seq: 70, text }], [])
          must(
            added.ok && added.value.added + added.value.doubles + added.value.conflicts.length === 1,
            JSON.stringify(added),
          )
          must((await archive.value.sync()).ok, 'it cannot be synced')
          return 'archive'
        }
        const store = await openStore({ disk, newStoreId: () => storeId, station: 'hill' })
        if (!store.ok) return store.fault.code
        const before = store.value.nextSeq
        store.value.append((seq) => ({
          kind: 'event',
          seq,
          boot,
          mono: 99 as never,
          name: 'note',
          details: { text: 'new' },
        }))
        must((await store.value.flush()).ok, 'it cannot be flushed')
        const newest = await store.value.newest(1)
        must(
          newest.ok && newest.value[0]?.line.seq === before && Number.isSafeInteger(before),
          `number ${before}`,
        )
        return 'store'
      },
    })
    expect(ends.get('archive')).toBeGreaterThan(100)
    expect(ends.get('store')).toBeGreaterThan(100)
  })
})

describe('an index that anybody wrote', () => {
  it('is believed only where its files are there and fit it, and costs no more than its rows', async () => {
    const disk = new MemoryDisk()
    const made = await openArchive({ disk, storeId, station: 'hill', indexEveryBytes: 1 })
    if (!made.ok) throw new Error(made.fault.detail)
    const texts = [1, 2, 3, 7, 9].map((seq) => ({ seq, text: `event,${seq},${boot},${seq}.00,,note,text=x` }))
    await made.value.add(texts, [])
    must((await made.value.sync()).ok, 'it cannot be synced')
    const rows = disk
      .text('index.txt')
      .trimEnd()
      .split('\n')
      .map((row) => row.slice(0, -10))
    const files = Object.fromEntries(disk.paths.map((name) => [name, Buffer.from(disk.text(name))]))
    const ends = await throughAllInTurn({
      what: 'indexes',
      inputs: 1500,
      make: (mutations) => {
        const bent = rows.map((row) => (mutations.once(4) ? bentRow(mutations, row) : row))
        if (mutations.once(6)) bent.splice(mutations.pick(bent.length), 1)
        return bent.map((row) => `${withCrc(row.replaceAll('\n', ' '), 'index.txt')}\n`).join('')
      },
      hold: async (index) => {
        const again = await openArchive({
          disk: diskOf({ ...files, 'index.txt': Buffer.from(index) }),
          storeId,
          station: 'hill',
        })
        must(again.ok, again.ok ? '' : again.fault.code)
        if (!again.ok) return ''
        const ranges = again.value.ranges().ranges()
        must(
          ranges.length <= 501 && ranges.flat().every((n) => Number.isSafeInteger(n) && n >= 0),
          JSON.stringify(ranges),
        )
        const added = await again.value.add([{ seq: 70, text: `event,70,${boot},99.00,,note,text=new` }], [])
        must(added.ok && (await again.value.sync()).ok, 'nothing can be added')
        return JSON.stringify(ranges) === '[[1,3],[7,7],[9,9]]' ? 'what is there' : 'what it says'
      },
    })
    expect(ends.get('what is there')).toBeGreaterThan(500)
  })
})

const bentRow = (mutations: Mutations, row: string): string =>
  mutations.once(2) ? mutations.bentText(row) : (JSON.stringify(mutations.bentPart(JSON.parse(row))) ?? '')

describe('a state file that anybody wrote', () => {
  it('gives what was saved, the copy before, nothing, or a fault', async () => {
    const saved = new MemoryDisk()
    const file = stateFileOn(saved, 'state.json')
    for (const n of [1, 2]) await file.save({ n, numbers: { ['a'.repeat(64)]: 7 }, list: [1.5, 'x'] })
    const [newest, previous] = ['state.json', 'state.json.previous'].map((name) =>
      Buffer.from(saved.text(name)),
    )
    const ends = await throughAllInTurn({
      what: 'state files',
      inputs: 3000,
      make: (mutations) =>
        [mutations.bent(newest, previous), mutations.once(2) ? mutations.bent(previous) : previous] as const,
      hold: async ([first, second]) => {
        const disk = diskOf({ 'state.json': first, 'state.json.previous': second })
        const loaded = await stateFileOn(disk, 'state.json').load()
        if (!loaded.ok) return loaded.fault.code
        const { n } = Object(loaded.value) as { n?: unknown }
        must(n === 1 || n === 2, JSON.stringify(loaded.value))
        return n === 2 ? 'the newest' : 'the one before'
      },
    })
    expect(ends.get('the one before')).toBeGreaterThan(300)
    expect(ends.get('state-damaged')).toBeGreaterThan(300)
  })
})
