// The daily look at all stations of an archive beside each other: what it costs, and for how long packs would have to wait for it.
//   BENCH_ONLY=suspects npm run bench; BENCH_SUSPECTS (100 stations) and BENCH_SUSPECT_DAYS (90) shorten it.
import { linkSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { monitorEventLoopDelay } from 'node:perf_hooks'
import { Suspects } from '../../dist/agent/cli/collect-suspects.js'
import { lookAtStations } from '../../dist/agent/cli/suspects-look.js'
import { makeYear, yearStart } from './made-year.mjs'

const stations = Number(process.env.BENCH_SUSPECTS ?? 100)
const days = Number(process.env.BENCH_SUSPECT_DAYS ?? 90)
const to = yearStart + days * 86_400_000

/** @returns rows: what, here, apart */
export async function suspectRows(folder, tell) {
  tell(`suspects: ${stations} stations of ${days} days`)
  const archive = await madeArchive(folder)
  const here = await watched(() => lookAtStations(archive, to))
  const suspects = new Suspects(archive, { warn: tell })
  const apart = await watched(async () => {
    suspects.step(to)
    await suspects.settled()
  })
  if (!readFileSync(join(archive, 'suspects.json'), 'utf8').includes('"v": 1')) throw new Error('no look')
  const seconds = (value) => `${value.toFixed(2)} s`
  return [
    [
      `a look at ${stations} stations x ${days} days: in the collector, and in a process apart`,
      'in it',
      'apart',
    ],
    ['  longest stretch in which the collector takes nothing', seconds(here.longest), seconds(apart.longest)],
    ['  CPU of the collector', seconds(here.cpu), seconds(apart.cpu)],
    ['  from its beginning to its end', seconds(here.wall), seconds(apart.wall)],
  ]
}

/** One store, linked under many names: what is read is the same, what lies on the disk is not a hundredfold. */
async function madeArchive(folder) {
  const [one, archive] = [join(folder, 'one'), join(folder, 'archive')]
  mkdirSync(one)
  await makeYear(one, days)
  const about = JSON.parse(readFileSync(join(one, 'store.json'), 'utf8'))
  for (let i = 0; i < stations; i++) {
    const station = `station-${i}`
    const into = join(archive, station, about.store)
    mkdirSync(into, { recursive: true })
    for (const name of readdirSync(one))
      if (name !== 'store.json') linkSync(join(one, name), join(into, name))
    writeFileSync(join(into, 'store.json'), JSON.stringify({ ...about, station }) + '\n')
  }
  return archive
}

/** Longest delay of the loop, CPU of this process and time of a work, seconds. */
async function watched(work) {
  const delay = monitorEventLoopDelay({ resolution: 10 })
  const [before, from] = [process.cpuUsage(), performance.now()]
  delay.enable()
  await work()
  delay.disable()
  const { user, system } = process.cpuUsage(before)
  return { longest: delay.max / 1e9, cpu: (user + system) / 1e6, wall: (performance.now() - from) / 1000 }
}
