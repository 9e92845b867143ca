/** The built program on a data folder that was cloned to another board: a mount namespace shows it another machine-id. */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { cpSync, existsSync, mkdtempSync, readFileSync, readdirSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, afterEach, describe, expect, it, vi } from 'vitest'
import { boardSigns } from '../../agent/hardware/board-identity.js'
import { program } from '../support/field-rig.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 180_000 })

const folder = mkdtempSync(join(tmpdir(), 'motepost-identity-'))
afterAll(() => rmSync(folder, { recursive: true }))
const agents: ChildProcess[] = []
afterEach(() => agents.splice(0).forEach((agent) => agent.kill('SIGKILL')))

const canMount = spawnSync('unshare', ['-m', 'true']).status === 0
const isTold = boardSigns()[0]?.source === 'machine-id'
if (!canMount || !isTold)
  console.info(
    `skipped: a cloned card on another board (${canMount ? 'this machine is told by more than its machine-id' : 'no mount namespace can be made here'})`,
  )

function settingsFor(data: string): string {
  const file = `${data}.yaml`
  writeFileSync(
    file,
    `version: 1
station: { name: gate, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data}, record_s: 1, flush_every_s: 60 }
clock: { trust: system }
`,
  )
  return file
}

async function run(data: string, before: readonly string[] = []): Promise<ChildProcess> {
  const command = [...before, process.execPath, program, 'run', '-s', settingsFor(data)]
  const agent = spawn(command[0], command.slice(1))
  agents.push(agent)
  let log = ''
  for (const stream of [agent.stdout, agent.stderr])
    stream.on('data', (bytes: Buffer) => (log += bytes.toString()))
  await waitFor(`the agent to run: ${data}`, () => log.includes('"running"') || agent.exitCode !== null, 60)
  expect(agent.exitCode, log).toBe(null)
  return agent
}

async function stop(agent: ChildProcess): Promise<void> {
  const exit = new Promise((resolve) => agent.once('exit', resolve))
  agent.kill('SIGTERM')
  await exit
}

const motepost = (...args: string[]) => spawnSync(process.execPath, [program, ...args], { encoding: 'utf8' })

interface Status {
  status: { lines: { store: string }; seals: { key: string }; faults: { code: string; detail: string }[] }
}
const statusOf = (data: string): Status['status'] =>
  (JSON.parse(motepost('status', '-s', `${data}.yaml`, '--json').stdout) as Status).status
const rowsIn = (place: string): string =>
  readdirSync(place)
    .filter((name) => name.startsWith('lines-'))
    .map((name) => readFileSync(join(place, name), 'utf8'))
    .join('')

describe('the identity of a running station', () => {
  it('shows the fingerprint of its key, and a copy made while it runs holds what it had in memory', async () => {
    const [data, stick] = [join(folder, 'one'), mkdtempSync(join(folder, 'stick-'))]
    const agent = await run(data)
    const { seals, lines } = statusOf(data)
    expect(seals.key).toMatch(/^([0-9a-f]{4} ){15}[0-9a-f]{4}$/)
    expect(motepost('status', '-s', `${data}.yaml`).stdout.replace(/\s+/g, ' ')).toContain(`key ${seals.key}`)
    await waitFor('a record', () => statusOf(data).lines.store !== '' && rowsIn(data).length > 0, 60)
    const { status, stdout, stderr } = motepost('copy', stick, '-s', `${data}.yaml`, '--json')
    expect([status, stderr]).toEqual([0, ''])
    expect(JSON.parse(stdout)).toMatchObject({ ok: true, flushed: 'yes', stores: [{ store: lines.store }] })
    expect(existsSync(join(stick, 'motepost', 'gate', lines.store, '.station-key'))).toBe(false)
    expect(motepost('verify', '--store', stick).status).toBe(0)
    await stop(agent)
    rmSync(data, { recursive: true })
  })

  it.skipIf(!canMount || !isTold)(
    'is a new one on another board: new store, new key, told, and the earlier lines stay',
    async () => {
      const [data, clone] = [join(folder, 'two'), join(folder, 'clone')]
      const first = await run(data)
      const before = statusOf(data)
      await stop(first)
      cpSync(data, clone, { recursive: true, filter: (path) => !path.endsWith('.sock') })

      const again = await run(data)
      expect(statusOf(data).lines.store).toBe(before.lines.store)
      expect(statusOf(data).faults.map(({ code }) => code)).not.toContain('board-changed')
      await stop(again)

      const otherId = join(folder, 'machine-id')
      writeFileSync(otherId, '00112233445566778899aabbccddeeff\n')
      const mount = [
        'unshare',
        '-m',
        'sh',
        '-c',
        `mount --bind '${otherId}' /etc/machine-id && exec "$@"`,
        'sh',
      ]
      const other = await run(clone, mount)
      const { lines, seals, faults } = statusOf(clone)
      expect(lines.store).not.toBe(before.lines.store)
      expect(seals.key).not.toBe(before.seals.key)
      expect(faults.find(({ code }) => code === 'board-changed')?.detail).toContain(before.lines.store)
      const earlier = join(clone, 'earlier', before.lines.store)
      expect(motepost('verify', '--store', earlier).status).toBe(0)
      await stop(other)
      expect(rowsIn(clone)).toMatch(
        new RegExp(`,started,.*board=another;told_by=machine-id;earlier_store=${before.lines.store}`),
      )
    },
  )
})
