// Motepost beside the plain script, in one run. `npm run bench` prints the table; live figures take two minutes each.
import { spawn, spawnSync } from 'node:child_process'
import { mkdtempSync, readFileSync, readdirSync, rmSync, writeFileSync } from 'node:fs'
import { createServer } from 'node:net'
import { cpus, tmpdir } from 'node:os'
import { join } from 'node:path'
import { plausibleFrame, writeFrame } from '../../dist/agent/simulation/frames.js'
import { seededRandom } from '../../dist/agent/simulation/random.js'

const here = import.meta.dirname
const root = join(here, '../..')
const liveSeconds = Number(process.env.BENCH_LIVE_SECONDS ?? 120)
const folder = mkdtempSync(join(tmpdir(), 'motepost-bench-'))
const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms))

const port = await new Promise((resolve) => {
  const server = createServer().listen(0, '127.0.0.1', () => {
    const at = server.address().port
    server.close(() => resolve(at))
  })
})
writeFileSync(join(folder, 'broker.conf'), `listener ${port} 127.0.0.1\nallow_anonymous true\n`)
const path = { ...process.env, PATH: `${process.env.PATH}:/usr/sbin` }
const broker = spawn('mosquitto', ['-c', join(folder, 'broker.conf')], { stdio: 'ignore', env: path })
await wait(500)

// A made day: a wandering background with noise, one frame a second.
const random = seededRandom(7)
const day = new Uint8Array(86_400 * 32)
let level = 12
for (let i = 0; i < 86_400; i++) {
  level = Math.max(2, level + random.normal() * 0.05)
  writeFrame(
    day,
    i * 32,
    plausibleFrame(level * (1 + random.normal() * 0.06), 4 + Math.abs(random.normal()) * 3),
  )
}
const frames = join(folder, 'day.bin')
writeFileSync(frames, day)

function replay(...args) {
  const ran = spawnSync(process.execPath, args, { encoding: 'utf8', env: process.env })
  if (ran.status !== 0) throw new Error(ran.stderr)
  return JSON.parse(ran.stdout.trim().split('\n').at(-1))
}
const ours = replay(join(here, 'replay.mjs'), frames, folder, String(port), '10')
const plain = replay(
  join(here, 'plain.mjs'),
  'replay',
  frames,
  join(folder, 'plain.jsonl'),
  `mqtt://127.0.0.1:${port}`,
)

/** CPU seconds, voluntary switches of all threads (wake-ups), bytes handed to the block layer, resident kB. */
function look(pid) {
  const stat = readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1].split(' ')
  let wakes = 0
  for (const thread of readdirSync(`/proc/${pid}/task`))
    wakes += Number(
      /^voluntary_ctxt_switches:\s+(\d+)/m.exec(
        readFileSync(`/proc/${pid}/task/${thread}/status`, 'utf8'),
      )[1],
    )
  const status = readFileSync(`/proc/${pid}/status`, 'utf8')
  const io = readFileSync(`/proc/${pid}/io`, 'utf8')
  return {
    cpu: (Number(stat[11]) + Number(stat[12])) / 100,
    wakes,
    written: Number(/^write_bytes: (\d+)/m.exec(io)[1]),
    rss: Number(/^VmRSS:\s+(\d+)/m.exec(status)[1]),
    anon: Number(/^RssAnon:\s+(\d+)/m.exec(status)[1]),
  }
}

async function live(start) {
  const name = join(folder, 'pty')
  const socat = spawn('socat', [`pty,raw,echo=0,link=${name}-sensor`, `pty,raw,echo=0,link=${name}-feed`], {
    stdio: 'ignore',
  })
  await wait(500)
  const { openSync, writeSync } = await import('node:fs')
  const fd = openSync(`${name}-feed`, 'r+')
  let n = 0
  const feeding = setInterval(() => writeSync(fd, day, (n++ % 86_400) * 32, 32), 1000)
  const child = start(`${name}-sensor`)
  await wait(10_000)
  const a = look(child.pid)
  await wait(liveSeconds * 1000)
  const b = look(child.pid)
  child.kill('SIGTERM')
  clearInterval(feeding)
  socat.kill('SIGKILL')
  await wait(500)
  const perDay = 86_400 / liveSeconds
  return {
    cpu: (b.cpu - a.cpu) * perDay,
    wakes: (b.wakes - a.wakes) / liveSeconds,
    written: (b.written - a.written) * perDay,
    rss: b.rss,
    anon: b.anon,
  }
}

const settings = (sensor) => {
  const file = join(folder, 'station.yaml')
  writeFileSync(
    file,
    `version: 1
station: { name: bench, time_zone: Etc/GMT }
instruments: [{ layout: frames-424d-32, port: ${sensor} }]
data: { folder: ${folder}/live }
clock: { trust: system }
uplink: { mode: mqtt, url: 'mqtt://127.0.0.1:${port}', receipts: none }
`,
  )
  return file
}
const liveOurs = await live((sensor) =>
  spawn(process.execPath, [join(root, 'dist/agent/cli/main.js'), 'run', '-s', settings(sensor)], {
    stdio: 'ignore',
  }),
)
const livePlain = await live((sensor) =>
  spawn(
    process.execPath,
    [join(here, 'plain.mjs'), 'live', sensor, join(folder, 'live.jsonl'), `mqtt://127.0.0.1:${port}`],
    { stdio: 'ignore' },
  ),
)
broker.kill()
rmSync(folder, { recursive: true, force: true })

const row = (what, a, b) => console.log(`| ${what} | ${a} | ${b} |`)
console.log(
  `Node ${process.version}, ${cpus()[0].model.trim()}, ${new Date().toISOString().slice(0, 10)}; live for ${liveSeconds} s\n`,
)
row('figure', 'motepost', 'plain script')
row('---', '---', '---')
row('replay: CPU s a station-day', ours.cpuSecondsPerDay.toFixed(3), plain.cpuSeconds.toFixed(2))
row('live: CPU s a day', liveOurs.cpu.toFixed(0), livePlain.cpu.toFixed(0))
row('live: wake-ups a second, all threads', liveOurs.wakes.toFixed(2), livePlain.wakes.toFixed(2))
row('live: bytes to the block layer a day', Math.round(liveOurs.written), Math.round(livePlain.written))
row(
  'live: resident MB (anonymous MB)',
  `${Math.round(liveOurs.rss / 1000)} (${Math.round(liveOurs.anon / 1000)})`,
  `${Math.round(livePlain.rss / 1000)} (${Math.round(livePlain.anon / 1000)})`,
)
row('socket: bytes a day, 12 channels', ours.socketBytesPerDay, 'not measured')
