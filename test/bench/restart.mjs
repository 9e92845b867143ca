// What a collector's start costs for each station: opening the archive of a year, with its index and without.
import { mkdirSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { openFolder } from '../../dist/agent/hardware/disk.js'
import { openArchive, readStoreFolder } from '../../dist/agent/store/store.js'
import { makeYear } from './made-year.mjs'

const runs = 5
const linesAtOnce = 8192

export async function restartLines(folder, tell) {
  tell('collector: the archive of a year')
  const [year, place] = ['restart-year', 'restart-archive'].map((name) => join(folder, name))
  mkdirSync(year)
  await makeYear(year)
  const who = await copyInto(year, place)
  const indexed = await middle(who, place)
  rmSync(join(place, 'index.txt'))
  const whole = await opened(who, place)
  for (const one of [year, place]) rmSync(one, { recursive: true })
  return [
    `A start opens the archive of a year (${whole.lines} lines) in ${indexed.millis.toFixed(0)} ms and reads ${kB(indexed)} kB of it;` +
      ` without its index ${(whole.millis / 1000).toFixed(1)} s and ${kB(whole)} kB.`,
  ]
}

const kB = ({ bytes }) => Math.round(bytes / 1000)

async function copyInto(year, place) {
  const { storeId, station, reader } = (
    await readStoreFolder((await openFolder(year, { create: false })).value)
  ).value
  const disk = (await openFolder(place, { create: true })).value
  const archive = (await openArchive({ disk, storeId, station })).value
  for (let from = 1; ; from += linesAtOnce) {
    const { value: lines } = await reader.lines(from, from + linesAtOnce - 1)
    if (lines.length === 0) return { storeId, station }
    const ids = new Set(lines.flatMap(({ line }) => (line.kind === 'record' ? line.set : [])))
    await archive.add(
      lines.map(({ line, text }) => ({ seq: line.seq, text })),
      [...ids].map((id) => reader.columnSet(id)),
    )
    await archive.sync()
  }
}

async function middle(who, place) {
  const all = []
  for (let i = 0; i < runs; i++) all.push(await opened(who, place))
  return all.sort((a, b) => a.millis - b.millis)[Math.floor(runs / 2)]
}

async function opened({ storeId, station }, place) {
  const disk = (await openFolder(place, { create: true })).value
  const read = disk.read.bind(disk)
  let bytes = 0
  disk.read = async (...args) => {
    const outcome = await read(...args)
    bytes += outcome.ok ? outcome.value.length : 0
    return outcome
  }
  const before = performance.now()
  const archive = (await openArchive({ disk, storeId, station })).value
  return { millis: performance.now() - before, bytes, lines: archive.ranges().count }
}
