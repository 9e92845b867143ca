/** mosquitto, the built collector and three built stations: one killed, one without its sensor, one with a wrong clock. */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { createServer, type AddressInfo } from 'node:net'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { program } from '../support/field-rig.js'
import { startMailServer } from '../support/mail-server.js'
import { hasMosquitto, startMosquitto } from '../support/mosquitto.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 300_000 })

const folder = mkdtempSync(join(tmpdir(), 'motepost-standing-'))
const children: ChildProcess[] = []
afterAll(() => {
  children.forEach(endGroup)
  rmSync(folder, { recursive: true, force: true })
})

/** With what it has started: faketime is the parent of its program. */
function endGroup({ pid }: ChildProcess): void {
  try {
    if (pid !== undefined) process.kill(-pid, 'SIGKILL')
  } catch {
    // It has ended already.
  }
}

const hasFaketime = spawnSync('faketime', ['--version']).error === undefined
if (!hasFaketime) console.info('skipped: a station with a wrong clock (faketime is not installed)')

function run(command: readonly string[]): ChildProcess {
  const child = spawn(command[0], command.slice(1), { stdio: 'ignore', detached: true })
  children.push(child)
  return child
}

function station(name: string, brokerPort: number, before: readonly string[] = []): ChildProcess {
  const file = join(folder, `${name}.yaml`)
  writeFileSync(
    file,
    `version: 1
station: { name: ${name}, group: oakfield, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${join(folder, name)}, record_s: 1, flush_every_s: 60 }
clock: { trust: system }
uplink: { mode: mqtt, url: 'mqtt://127.0.0.1:${brokerPort}', pack_every_min: 0.05 }
`,
  )
  return run([...before, process.execPath, program, 'run', '-s', file])
}

/** Takes whatever is posted. */
async function startHook(): Promise<{ port: number; posts: string[]; stop(): void }> {
  const posts: string[] = []
  const server = createServer((socket) => {
    socket.on('error', () => undefined)
    socket.on('data', (bytes: Buffer) => {
      posts.push(bytes.toString())
      socket.end('HTTP/1.1 200 OK\r\ncontent-length: 0\r\nconnection: close\r\n\r\n')
    })
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return { port: (server.address() as AddressInfo).port, posts, stop: () => server.close() }
}

interface Standing {
  readonly station: string
  readonly state: string
  readonly reasons: readonly { code: string; first_thing: string }[]
}

describe.skipIf(!hasMosquitto || !hasFaketime)('a collector of real stations', () => {
  it('says of each what is wrong, tells people by mail and webhook of the silent one, and that it is back', async () => {
    const [broker, mail, hook] = [await startMosquitto(), await startMailServer(), await startHook()]
    const archive = join(folder, 'archive')
    const settings = join(folder, 'collector.yaml')
    writeFileSync(
      settings,
      `version: 1
collector: { group: oakfield, archive: ${archive}, late_after_min: 1, silent_after_min: 1.1 }
broker: { url: 'mqtt://127.0.0.1:${broker.port}' }
delivery:
  recipients:
    - { alias: mailed, ways: [{ way: email, to: desk@example.org }], daily_line: [] }
    - { alias: called, ways: [{ way: webhook, to: 'http://127.0.0.1:${hook.port}/hook' }] }
  mail: { server: 127.0.0.1, port: ${mail.port}, security: none, from: collector@example.org }
`,
    )
    run([process.execPath, program, 'collect', '-s', settings])
    const killed = station('killed', broker.port)
    station('unplugged', broker.port)
    station('misdated', broker.port, ['faketime', '-f', '+3d'])
    const standing = (name: string): Standing | undefined => {
      const args = [program, 'stations', 'status', '--archive', archive, '--json']
      const { stdout } = spawnSync(process.execPath, args, { encoding: 'utf8' })
      // Nothing but words while there is no collector to ask.
      if (!stdout.startsWith('{')) return undefined
      const { stations } = JSON.parse(stdout) as { stations: Standing[] }
      return stations.find((one) => one.station === name)
    }
    const says = (name: string, code: string) => () =>
      standing(name)?.reasons.some((reason) => reason.code === code && reason.first_thing !== '') ?? false
    await waitFor('the one without its sensor to be told', says('unplugged', 'no-data'), 90)
    await waitFor('the wrong clock to be told', says('misdated', 'clock'), 90)
    await waitFor('the third to be heard', () => standing('killed') !== undefined, 60)
    endGroup(killed)
    await waitFor('the killed one to be silent', says('killed', 'silent'), 150)
    expect(standing('killed')?.state).toBe('silent')
    await waitFor('a mail', () => mail.mails.some(({ text }) => text.includes('killed is silent')), 60)
    await waitFor('a call', () => hook.posts.some((text) => text.includes('killed is silent')), 60)
    station('killed', broker.port)
    await waitFor('it to be back', () => standing('killed')?.state !== 'silent', 60)
    await waitFor(
      'that to be told',
      () => hook.posts.some((text) => text.includes('"state":"over"') && text.includes('killed is silent')),
      60,
    )
    hook.stop()
    await mail.stop()
    await broker.remove()
  })
})
