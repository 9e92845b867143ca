// Motepost beside the plain script, in one run. `npm run bench` prints the table; it takes about ten minutes.
//   BENCH_LIVE_SECONDS (300), BENCH_DAYS (30), BENCH_YEAR_DAYS (365) shorten it; BENCH_ONLY=year does only that part,
//   BENCH_ONLY=collector only a collector before thousands of stations (six minutes), BENCH_ONLY=alert only the delay of an alert,
//   BENCH_ONLY=suspects only the daily look at the stations of an archive beside each other.
import { spawn, spawnSync } from 'node:child_process'
import {
  existsSync,
  mkdtempSync,
  openSync,
  readFileSync,
  readdirSync,
  rmSync,
  writeFileSync,
  writeSync,
} from 'node:fs'
import { cpus, tmpdir } from 'node:os'
import { join } from 'node:path'
import { askControl } from '../../dist/agent/hardware/control-socket.js'
import { alertRows } from './alert.mjs'
import { collectorTable } from './collector.mjs'
import { deskRows } from './desk-import.mjs'
import { makeYear } from './made-year.mjs'
import { look, madeDay, madeSupply, startBroker, startCounter, wait } from './parts.mjs'
import { restartLines } from './restart.mjs'
import { suspectRows } from './suspects.mjs'

const here = import.meta.dirname
const program = join(here, '../../dist/agent/cli/main.js')
const liveSeconds = Number(process.env.BENCH_LIVE_SECONDS ?? 300)
const days = Number(process.env.BENCH_DAYS ?? 30)
const yearDays = Number(process.env.BENCH_YEAR_DAYS ?? 365)
/** Compiling and collecting garbage after the start take longer than the work itself: they get a row of their own. */
const startSeconds = 100
const folder = mkdtempSync(join(tmpdir(), 'motepost-bench-'))
const unit = readUnit()
let stations = 0
const tell = (words) => process.stderr.write(`${words}\n`)

if (process.env.BENCH_ONLY === 'collector') {
  const lines = await collectorTable(folder, tell)
  const restart = await restartLines(folder, tell)
  console.log([headline(), '', ...lines, ...restart].join('\n'))
  rmSync(folder, { recursive: true, force: true })
  process.exit(0)
}

const alone = { alert: alertRows, suspects: suspectRows }[process.env.BENCH_ONLY]
if (alone) {
  const rows = await alone(folder, tell)
  console.log(headline())
  printHead()
  for (const cells of rows) row(...cells)
  rmSync(folder, { recursive: true, force: true })
  process.exit(0)
}

tell(`a year: ${yearDays} days`)
const year = mkdirIn('year')
await makeYear(year, yearDays)
const masses = ['pm1', 'pm2_5', 'pm10']
const yearOurs = cost(program, 'averages', '--store', year, '--channel', masses.join(','), '--json')
const yearPlain = cost(join(here, 'plain-year.mjs'), year, ...masses)
rmSync(year, { recursive: true, force: true })
if (process.env.BENCH_ONLY === 'year') {
  printHead()
  printYear()
  rmSync(folder, { recursive: true, force: true })
  process.exit(0)
}

const broker = await startBroker(folder)
const counter = await startCounter(broker.port)
const day = madeDay()
const frames = join(folder, 'day.bin')
writeFileSync(frames, day)
madeSupply(mkdirIn('supply'))

tell(`replay: ${days} days`)
const replayOurs = replay(['replay.mjs', frames, mkdirIn('replay'), String(broker.port), String(days)])
const replayPlain = replay([
  'plain.mjs',
  'replay',
  frames,
  join(folder, 'plain.jsonl'),
  brokerUrl(broker.port),
])
const bytesOurs = await bytesOnSocket(
  ['replay.mjs', frames, mkdirIn('counted'), String(counter.port), '5'],
  5,
)
const bytesPlain = await bytesOnSocket(
  ['plain.mjs', 'replay', frames, join(folder, 'counted.jsonl'), brokerUrl(counter.port)],
  1,
)
tell('start to first used reading')
const startOurs = await startToFirst(ours({ warm_up_s: 0 }), countsNow)
const startPlain = await startToFirst(plain, () => existsSync(join(folder, 'live.jsonl')))
tell(`live: ${startSeconds + liveSeconds} s`)
// Beside each other: each needs less than a thousandth of a core.
const [liveOurs, liveSlow, livePlain] = await Promise.all([
  live(ours({})),
  live(ours({ read_every_s: 10 })),
  live(plain),
])
const alert = await alertRows(folder, tell)
tell('desk: a year of minutes')
const desk = deskRows()
counter.stop()
broker.stop()
rmSync(folder, { recursive: true, force: true })
printTable()

function mkdirIn(name) {
  return mkdtempSync(join(folder, `${name}-`))
}

function brokerUrl(port) {
  return `mqtt://127.0.0.1:${port}`
}

// ---- a year of records ----------------------------------------------------------------------------------------------

/** What a program costs that reads files and ends, by its own word; the better of two runs, the files then being in memory. */
function cost(...args) {
  const run = () => {
    const ran = spawnSync(process.execPath, ['--import', join(here, 'tell-cost.mjs'), ...args], {
      encoding: 'utf8',
      maxBuffer: 1 << 28,
    })
    if (ran.status !== 0) throw new Error(ran.stderr)
    return JSON.parse(ran.stderr.trim().split('\n').at(-1))
  }
  const [first, second] = [run(), run()]
  return first.wallSeconds < second.wallSeconds ? first : second
}

// ---- replay ---------------------------------------------------------------------------------------------------------

function replay([script, ...args]) {
  const ran = spawnSync(process.execPath, [join(here, script), ...args], { encoding: 'utf8' })
  if (ran.status !== 0) throw new Error(ran.stderr)
  return JSON.parse(ran.stdout.trim().split('\n').at(-1))
}

/** The counter lives in this process, so the child is awaited, not run in its place. */
async function bytesOnSocket([script, ...args], ofDays) {
  const before = counter.bytes
  const child = spawn(process.execPath, [join(here, script), ...args], { stdio: 'ignore' })
  await new Promise((resolve) => child.once('exit', resolve))
  return (counter.bytes - before) / ofDays
}

/** The flags and the environment that systemd/motepost.service starts the station with. */
function readUnit() {
  const text = readFileSync(join(here, '../../systemd/motepost.service'), 'utf8')
  const flags = /^ExecStart=\S+ (.*?) ?\S+main\.js/m.exec(text)[1].split(' ').filter(Boolean)
  const variables = [...text.matchAll(/^Environment=(\w+)=(.*)$/gm)].map(([, name, value]) => [name, value])
  return { flags, env: { ...process.env, ...Object.fromEntries(variables) } }
}

// ---- live -----------------------------------------------------------------------------------------------------------

/** The built `motepost run` with twelve channels: nine of the sensor, three of battery and sun. */
function ours(instrument) {
  return (sensor) => {
    const own = mkdirIn('live')
    const name = `bench-${(stations += 1)}`
    const supply = readdirSync(folder).find((name) => name.startsWith('supply-'))
    const settings = {
      version: 1,
      station: { name, time_zone: 'Etc/GMT' },
      instruments: [{ layout: 'frames-424d-32', port: sensor, ...instrument }],
      gauges: [
        {
          kind: 'power_supply',
          path: folder,
          device: supply,
          channels: {
            battery_voltage: 'voltage_now',
            battery_current: 'current_now',
            solar_power: 'power_now',
          },
        },
      ],
      data: { folder: own },
      clock: { trust: 'system' },
      uplink: { mode: 'mqtt', url: brokerUrl(broker.port), receipts: 'none' },
    }
    const file = `${own}.yaml`
    writeFileSync(file, JSON.stringify(settings))
    return spawn(process.execPath, [...unit.flags, program, 'run', '-s', file], {
      stdio: 'ignore',
      env: unit.env,
    })
  }
}

function plain(sensor) {
  const args = [join(here, 'plain.mjs'), 'live', sensor, join(folder, 'live.jsonl'), brokerUrl(broker.port)]
  return spawn(process.execPath, args, { stdio: 'ignore' })
}

async function sensorOnPty() {
  const name = join(mkdirIn('pty'), 'line')
  const ends = [`pty,raw,echo=0,link=${name}-sensor`, `pty,raw,echo=0,link=${name}-feed`]
  const socat = spawn('socat', ends, { stdio: 'ignore' })
  while (!existsSync(`${name}-feed`)) await wait(20)
  const fd = openSync(`${name}-feed`, 'r+')
  let n = 0
  const feeding = setInterval(() => writeSync(fd, day, (n++ % 86_400) * 32, 32), 1000)
  const stop = () => (clearInterval(feeding), socat.kill('SIGKILL'))
  return { port: `${name}-sensor`, stop }
}

async function live(start) {
  const sensor = await sensorOnPty()
  const child = start(sensor.port)
  await wait(startSeconds * 1000)
  const a = look(child.pid)
  await wait(liveSeconds * 1000)
  const b = look(child.pid)
  child.kill('SIGTERM')
  await new Promise((resolve) => child.once('exit', resolve))
  sensor.stop()
  const perDay = 86_400 / liveSeconds
  return {
    startCpu: a.cpu,
    cpu: (b.cpu - a.cpu) * perDay,
    wakes: (b.wakes - a.wakes) / liveSeconds,
    blockBytes: (b.blockBytes - a.blockBytes) * perDay,
    rss: b.rss,
    anon: b.anon,
  }
}

/** Seconds from spawning the program to the first reading that it keeps; looked at every 10 ms. */
async function startToFirst(start, isThere) {
  const sensor = await sensorOnPty()
  const from = performance.now()
  const child = start(sensor.port)
  while (!(await isThere())) {
    if (child.exitCode !== null)
      throw new Error(`the program ended with ${child.exitCode} before its first reading`)
    await wait(10)
  }
  const seconds = (performance.now() - from) / 1000
  child.kill('SIGTERM')
  await new Promise((resolve) => child.once('exit', resolve))
  sensor.stop()
  rmSync(join(folder, 'live.jsonl'), { force: true })
  return seconds
}

/** Asks the running station, as `motepost status` does, whether its newest reading counts. */
async function countsNow() {
  const own = readdirSync(folder).find((name) => name.startsWith('live-'))
  const answer = own && (await askControl(join(folder, own, '.control.sock'), { do: 'status' }))
  const [live] = (answer?.ok && answer.value.status?.live) || []
  return live !== undefined && live.excluded === undefined
}

// ---- table ----------------------------------------------------------------------------------------------------------

function row(what, ...cells) {
  console.log(`| ${[what, ...cells].join(' | ')} |`)
}

function headline() {
  return `${new Date().toISOString().slice(0, 10)}, Node ${process.version}, ${cpus().length} x ${cpus()[0].model.trim()}`
}

function printHead() {
  row('figure', 'motepost', 'plain script')
  row('---', '---', '---')
}

function printYear() {
  const rows = yearDays * 1440
  const words = ({ wallSeconds, cpuSeconds, mostResidentMegabytes }) =>
    `${wallSeconds.toFixed(2)} s (${cpuSeconds.toFixed(2)} s), ${Math.round(mostResidentMegabytes)} MB`
  row(
    `averages of ${rows} records of 12 channels: time (CPU), most resident memory`,
    words(yearOurs),
    words(yearPlain),
  )
}

function printTable() {
  const kB = (bytes) => `${Math.round(bytes / 1000)} kB`
  const mB = (bytes) => `${(bytes / 1e6).toFixed(1)} MB`
  const payload = Object.values(replayOurs.payloadBytes).reduce((sum, n) => sum + n, 0)
  console.log(
    `${headline()}; ` +
      `replay of ${days} days, live for ${liveSeconds} s after the first ${startSeconds} s\n`,
  )
  printHead()
  row(
    'replay: CPU s a station-day (of it in the kernel)',
    `${replayOurs.cpuSeconds.toFixed(2)} (${replayOurs.kernelSeconds.toFixed(2)})`,
    replayPlain.cpuSeconds.toFixed(2),
  )
  row('replay: bytes of lines written a day', kB(replayOurs.bytesWritten), kB(replayPlain.bytesWritten))
  row('replay: syncs a day', replayOurs.syncs, 'none')
  row('replay: bytes to the block device a day', mB(replayOurs.blockBytes), 'not comparable: never synced')
  row('replay: bytes on the socket a day, both ways', kB(bytesOurs), kB(bytesPlain))
  row(
    'replay: bytes of MQTT payload a day (of it packs)',
    `${kB(payload)} (${kB(replayOurs.payloadBytes.lines)})`,
    '',
  )
  row('live: CPU s a day', liveOurs.cpu.toFixed(0), livePlain.cpu.toFixed(0))
  row(
    'live: CPU s of the first 100 s, once a start',
    liveOurs.startCpu.toFixed(2),
    livePlain.startCpu.toFixed(2),
  )
  row('live: wake-ups a second, all threads', liveOurs.wakes.toFixed(2), livePlain.wakes.toFixed(2))
  row('live, read every 10 s: CPU s a day', liveSlow.cpu.toFixed(0), '')
  row('live, read every 10 s: wake-ups a second', liveSlow.wakes.toFixed(2), '')
  row('live: bytes to the block device a day', mB(liveOurs.blockBytes), mB(livePlain.blockBytes))
  const resident = ({ rss, anon }) => `${Math.round(rss / 1000)} MB (${Math.round(anon / 1000)} MB)`
  row('live: resident memory (of it anonymous)', resident(liveOurs), resident(livePlain))
  row('start to first used reading', `${startOurs.toFixed(1)} s`, `${startPlain.toFixed(1)} s`)
  for (const cells of [...alert, ...desk]) row(...cells)
  printYear()
}
