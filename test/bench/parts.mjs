// What the bench measures with: a made day of frames, a broker, a proxy that counts bytes, the kernel's figures of a process.
import { spawn } from 'node:child_process'
import { readFileSync, readdirSync, writeFileSync } from 'node:fs'
import { connect, createServer } from 'node:net'
import { join } from 'node:path'
import { plausibleFrame, writeFrame } from '../../dist/agent/simulation/frames.js'
import { seededRandom } from '../../dist/agent/simulation/random.js'

export const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms))

/** A wandering background with noise, one frame a second. */
export function madeDay() {
  const random = seededRandom(7)
  const day = new Uint8Array(86_400 * 32)
  let level = 12
  for (let i = 0; i < 86_400; i++) {
    level = Math.max(2, level + random.normal() * 0.05)
    const frame = plausibleFrame(level * (1 + random.normal() * 0.06), 4 + Math.abs(random.normal()) * 3)
    writeFrame(day, i * 32, frame)
  }
  return day
}

const listening = (server) =>
  new Promise((resolve) => server.listen(0, '127.0.0.1', () => resolve(server.address().port)))

/** @param more further lines of its configuration */
export async function startBroker(folder, more = []) {
  const server = createServer()
  const port = await listening(server)
  await new Promise((resolve) => server.close(resolve))
  const config = [`listener ${port} 127.0.0.1`, 'allow_anonymous true', ...more]
  writeFileSync(join(folder, 'broker.conf'), config.join('\n') + '\n')
  const env = { ...process.env, PATH: `${process.env.PATH}:/usr/sbin` }
  const child = spawn('mosquitto', ['-c', join(folder, 'broker.conf')], { stdio: 'ignore', env })
  await wait(500)
  return { port, stop: () => child.kill() }
}

/** Stands between a client and the broker and counts what crosses the socket, both ways. TCP and IP headers are not in it. */
export async function startCounter(brokerPort) {
  const counter = { bytes: 0, port: 0, stop: () => server.close() }
  const server = createServer({ noDelay: true }, (near) => {
    const far = connect(brokerPort, '127.0.0.1').setNoDelay()
    for (const [from, to] of [
      [near, far],
      [far, near],
    ]) {
      from.on('data', (chunk) => (counter.bytes += chunk.length))
      from.on('error', () => to.destroy())
      from.pipe(to)
    }
  })
  counter.port = await listening(server)
  return counter
}

/** Battery and sun as files like the kernel's. */
export function madeSupply(folder) {
  writeFileSync(join(folder, 'voltage_now'), '13120000\n')
  writeFileSync(join(folder, 'current_now'), '-210000\n')
  writeFileSync(join(folder, 'power_now'), '4250000\n')
}

/** CPU seconds, wake-ups (voluntary switches summed over all threads), bytes handed to the block layer, resident kB. */
export function look(pid) {
  const read = (name) => readFileSync(`/proc/${pid}/${name}`, 'utf8')
  const figure = (text, name) => Number(new RegExp(`^${name}:\\s+(\\d+)`, 'm').exec(text)[1])
  const stat = read('stat').split(') ')[1].split(' ')
  const threads = readdirSync(`/proc/${pid}/task`).map((id) => read(`task/${id}/status`))
  const status = read('status')
  return {
    cpu: (Number(stat[11]) + Number(stat[12])) / 100,
    wakes: threads.reduce((sum, text) => sum + figure(text, 'voluntary_ctxt_switches'), 0),
    blockBytes: figure(read('io'), 'write_bytes'),
    rss: figure(status, 'VmRSS'),
    anon: figure(status, 'RssAnon'),
  }
}
