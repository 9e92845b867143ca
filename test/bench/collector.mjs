// `motepost collect` before 500, 2,000 and 5,000 simulated stations, beside a plain subscriber; `BENCH_ONLY=collector` of bench.mjs.
//   BENCH_STATIONS=500,2000,5000
//   BENCH_POSTGRES=5432 also with a PostgreSQL to fill, at this port of this machine: database and user motepost, no password
import { spawn } from 'node:child_process'
import { mkdirSync, readdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { loadavg } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { look, startBroker, wait } from './parts.mjs'

const here = import.meta.dirname
const program = join(here, '../../dist/agent/cli/main.js')
const sizes = (process.env.BENCH_STATIONS ?? '500,2000,5000').split(',').map(Number)
const databasePort = Number(process.env.BENCH_POSTGRES ?? 0)
/** Packs after the first round, at least: each size then works about equally long. */
const mostPacks = 12_000
const leastRounds = 3

/** @returns lines of a table, and what it comes to */
export async function collectorTable(folder, tell) {
  const results = []
  for (const stations of sizes)
    for (const mode of ['ours', ...(databasePort ? ['database'] : []), 'plain']) {
      tell(`collector: ${stations} stations, ${mode}`)
      results.push({ stations, mode, ...(await measure(folder, stations, mode)) })
    }
  return linesOf(results)
}

async function measure(folder, stations, mode) {
  const own = join(folder, `collector-${stations}-${mode}`)
  mkdirSync(own)
  const [load] = loadavg()
  const broker = await startBroker(own, ['max_queued_messages 0', 'max_inflight_messages 100'])
  const subject = await (mode === 'plain' ? startPlain : startOurs)(own, broker.port, mode)
  const idle = look(subject.pid)
  const rounds = 1 + Math.max(leastRounds, Math.ceil(mostPacks / stations))
  const crowd = startStations(broker.port, stations, rounds, mode)
  const played = []
  let after
  for (let round = 0; round < rounds; round++) {
    const before = await figures(subject)
    played.push(await crowd.play())
    after = await figures(subject)
    Object.assign(played[round], { cpu: after.cpu - before.cpu, syncs: after.syncs - before.syncs })
  }
  const bytes = bytesIn(own, mode)
  const behindSeconds = mode === 'database' ? await whenFilled(own) : undefined
  crowd.end()
  await ended(subject.child)
  broker.stop()
  rmSync(own, { recursive: true, force: true })
  return { ...totals(played.slice(1)), first: played[0], idle, after, bytes, load, rounds, behindSeconds }
}

const totals = (played) => ({
  messages: played.reduce((sum, one) => sum + one.messages, 0),
  seconds: played.reduce((sum, one) => sum + one.seconds, 0),
  cpu: played.reduce((sum, one) => sum + one.cpu, 0),
  syncs: played.reduce((sum, one) => sum + one.syncs, 0),
  resent: played.at(-1).resent,
  medianMillis: Math.max(...played.map((one) => one.medianMillis)),
  mostMillis: Math.max(...played.map((one) => one.mostMillis)),
})

async function startOurs(own, port, mode) {
  const syncs = join(own, 'syncs')
  const file = join(own, 'collector.yaml')
  const settings = {
    version: 1,
    collector: { group: 'bench', archive: join(own, 'archive') },
    broker: { url: `mqtt://127.0.0.1:${port}` },
    ...(mode === 'database' ? { postgres: { host: '127.0.0.1', port: databasePort } } : {}),
  }
  writeFileSync(file, JSON.stringify(settings))
  const args = ['--settings', file]
  const child = spawn(
    process.execPath,
    ['--import', join(here, 'collector-syncs.mjs'), program, 'collect', ...args],
    { stdio: ['ignore', 'ignore', 'pipe'], env: { ...process.env, BENCH_SYNCS: syncs } },
  )
  const said = []
  child.stderr.on('data', (chunk) => said.push(chunk) > 100 && said.shift())
  // Two steps of its own: it is connected, and everything is compiled and written that a start needs.
  await wait(8000)
  if (child.exitCode !== null) throw new Error(`collect ended: ${Buffer.concat(said)}`)
  return { child, pid: child.pid, syncs }
}

/** Seconds after the last receipt until the database has every line as well. */
async function whenFilled(own) {
  const from = performance.now()
  const waiting = () =>
    JSON.parse(readFileSync(join(own, 'archive', 'status.json'), 'utf8')).postgres.stores_waiting
  // What status says is ten seconds old at most.
  await wait(10_000)
  while (waiting() > 0) await wait(1000)
  return (performance.now() - from) / 1000
}

async function startPlain(own, port) {
  const args = [join(here, 'collector-plain.mjs'), `mqtt://127.0.0.1:${port}`, join(own, 'lines.jsonl')]
  const child = spawn(process.execPath, args, { stdio: ['ignore', 'pipe', 'inherit'] })
  await new Promise((resolve) => child.stdout.once('data', resolve))
  return { child, pid: child.pid }
}

async function figures({ child, pid, syncs }) {
  if (!syncs) return { ...look(pid), syncs: 0 }
  child.kill('SIGUSR2')
  await wait(200)
  return { ...look(pid), syncs: Number(readFileSync(syncs, 'utf8')) }
}

function startStations(port, stations, rounds, mode) {
  const args = [join(here, 'collector-stations.mjs'), port, stations, rounds, mode].map(String)
  const child = spawn(process.execPath, args, { stdio: ['pipe', 'pipe', 'inherit'] })
  const lines = createInterface({ input: child.stdout })[Symbol.asyncIterator]()
  const line = async () => {
    const { value, done } = await lines.next()
    if (done) throw new Error('the stations ended')
    return JSON.parse(value)
  }
  return {
    play: async () => {
      await line()
      child.stdin.write('go\n')
      return line()
    },
    end: () => child.stdin.write('end\n'),
  }
}

function bytesIn(own, mode) {
  if (mode === 'plain') return statSync(join(own, 'lines.jsonl')).size
  const files = readdirSync(join(own, 'archive'), { recursive: true, withFileTypes: true })
  return files
    .filter((one) => one.isFile())
    .reduce((sum, one) => sum + statSync(join(one.parentPath, one.name)).size, 0)
}

async function ended(child) {
  const exit = new Promise((resolve) => child.once('exit', resolve))
  child.kill('SIGTERM')
  await exit
}

// ---- table ----------------------------------------------------------------------------------------------------------

const head = [
  'stations',
  'messages a second',
  'CPU a message',
  'syncs a message',
  'receipt after: median, 99 %',
  'anonymous memory',
  'bytes a record',
]

function linesOf(results) {
  const of = (stations, mode) => results.find((one) => one.stations === stations && one.mode === mode)
  const row = (cells) => `| ${cells.join(' | ')} |`
  const rows = sizes.map((stations) => row(cellsOf(of(stations, 'ours'), of(stations, 'plain'))))
  return [row(head), row(head.map(() => '---')), ...rows, '', ...sums(of), ...databaseLines(of)]
}

/** In brackets: the plain subscriber. */
function cellsOf(ours, plain) {
  const both = (words) => `${words(ours)} (${words(plain)})`
  return [
    ours.stations,
    both(({ messages, seconds }) => (messages / seconds).toFixed(0)),
    both((one) => `${perMessage(one).toFixed(2)} ms`),
    `${(ours.syncs / ours.messages).toFixed(3)} (none)`,
    `${ours.medianMillis} ms, ${ours.mostMillis} ms`,
    both(({ after }) => `${Math.round(after.anon / 1000)} MB`),
    both(({ bytes, stations, rounds }) => (bytes / (stations * rounds * 15)).toFixed(0)),
  ]
}

function databaseLines(of) {
  return sizes.flatMap((stations) => {
    const one = of(stations, 'database')
    if (!one) return []
    const figures = `${(one.messages / one.seconds).toFixed(0)} messages a second, ${perMessage(one).toFixed(2)} ms CPU each`
    return `With a PostgreSQL to fill, ${stations} stations: ${figures}; it has all at most ${one.behindSeconds.toFixed(0)} s after the last receipt.`
  })
}

const perMessage = ({ cpu, messages }) => (1000 * cpu) / messages

function sums(of) {
  const [small, large] = [of(sizes[0], 'ours'), of(sizes.at(-1), 'ours')]
  const resent = sizes.reduce((sum, stations) => sum + of(stations, 'ours').resent, 0)
  const slope = (large.after.anon - small.after.anon) / (large.stations - small.stations)
  return [
    `CPU a message, ${large.stations} to ${small.stations} stations: ${(perMessage(large) / perMessage(small)).toFixed(2)}.`,
    ...(large === small ? [] : [`Memory of one station more: ${slope.toFixed(0)} kB.`]),
    `Idle: ${Math.round(small.idle.anon / 1000)} MB. Packs sent again: ${resent}.`,
    `Load of the machine before each: ${sizes.map((stations) => of(stations, 'ours').load.toFixed(1)).join(', ')}.`,
  ]
}
