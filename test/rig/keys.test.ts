/** The built program changes a station's key: while it runs, while it does not, killed in the middle, without the old key. */
import { spawn, spawnSync } from 'node:child_process'
import { mkdtempSync, readdirSync, rmSync, statSync, watch, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { ended, started } from '../support/agents.js'
import { program } from '../support/field-rig.js'
import { newKey } from '../support/keys.js'

vi.setConfig({ testTimeout: 240_000 })

const folder = mkdtempSync(join(tmpdir(), 'motepost-rotate-'))
afterAll(() => rmSync(folder, { recursive: true }))

function placed(name: string): { data: string; settings: string } {
  const data = join(folder, name)
  const settings = `${data}.yaml`
  writeFileSync(
    settings,
    `version: 1
station: { name: gate, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data}, record_s: 1, flush_every_s: 60 }
clock: { trust: system }
`,
  )
  return { data, settings }
}

const motepost = (...args: string[]) => spawnSync(process.execPath, [program, ...args], { encoding: 'utf8' })

interface Key {
  fingerprint: string
  others: { fingerprint: string; is: string; row: number; at?: string }[]
}
const keysOf = (settings: string): Key =>
  (JSON.parse(motepost('keys', '-s', settings, '--json').stdout) as { station: Key }).station

interface Changed {
  number: number
  key: string
  before?: string
  in_force: boolean
  vouched_for: boolean
  offline: boolean
}
function rotate(settings: string, ...args: string[]): Changed {
  const { stdout, stderr, status } = motepost('keys', 'rotate', '-s', settings, '--json', ...args)
  expect([stderr, status]).toEqual(['', 0])
  return JSON.parse(stdout) as Changed
}

interface Told {
  signed_to: number
  sealed_to: number
  keys: { public_key: string; fingerprint: string; came: string; signatures: number }[]
  findings: { kind: string }[]
}
function verified(data: string, key?: string): Told & { status: number | null } {
  const { stdout, status } = motepost('verify', '--store', data, '--json', ...(key ? ['--key', key] : []))
  return { ...(JSON.parse(stdout) as { stores: Told[] }).stores[0], status }
}

describe('the key of a running station', () => {
  it('is changed over the socket, signs the next seals, and is changed again while no agent runs', async () => {
    const { data, settings } = placed('one')
    const agent = await started(settings)
    const first = keysOf(settings).fingerprint
    const changed = rotate(settings)
    expect(changed).toMatchObject({ before: first, in_force: true, vouched_for: true, offline: false })
    expect(statSync(join(data, '.station-key')).mode & 0o777).toBe(0o600)
    expect(keysOf(settings)).toMatchObject({
      fingerprint: changed.key,
      others: [{ fingerprint: first, is: 'earlier', row: changed.number, at: expect.any(String) as string }],
    })
    const status = motepost('status', '-s', settings).stdout.replace(/\s+/g, ' ')
    expect(status).toContain(`key ${changed.key}`)
    await ended(agent)
    const found = verified(data, first)
    expect(found).toMatchObject({ status: 0, findings: [] })
    expect(found.signed_to).toBe(found.sealed_to)
    expect(found.keys.at(-1)).toMatchObject({ fingerprint: changed.key, came: 'handed-over' })

    const again = rotate(settings)
    expect(again).toMatchObject({ before: changed.key, offline: true, vouched_for: true })
    for (const key of [first, changed.key, again.key]) expect(verified(data, key).status).toBe(0)
    const present = verified(data).keys.at(-1)!.public_key
    const same = motepost('keys', 'rotate', '-s', settings, '--to', present)
    expect([same.status, same.stderr]).toEqual([1, expect.stringContaining('signs now already')])
    expect(motepost('keys', '-s', settings).stdout).toMatch(/earlier +until number \d+, 20\d\d-/)
    const other = await started(settings)
    const { faults } = (
      JSON.parse(motepost('status', '-s', settings, '--json').stdout) as {
        status: { faults: { code: string }[] }
      }
    ).status
    expect(faults.map(({ code }) => code)).not.toContain('key-changed')
    await ended(other)
    expect(verified(data, first)).toMatchObject({ status: 0, findings: [] })
  })

  it('is the old or the new one after a kill in the middle, and no seal breaks', async () => {
    const { data, settings } = placed('two')
    await ended(await started(settings))
    const first = keysOf(settings).fingerprint
    const ends: string[] = []
    for (const moment of ['.station-key.next.tmp', '.station-key.next', 'lines-', '.station-key', 'lines-']) {
      const before = keysOf(settings).fingerprint
      const agent = await started(settings)
      const killed = new Promise((resolve) => agent.once('exit', resolve))
      const watcher = watch(data, (_, name) => {
        if (moment === 'lines-' ? name?.startsWith(moment) : name === moment) agent.kill('SIGKILL')
      })
      const asking = spawn(process.execPath, [program, 'keys', 'rotate', '-s', settings])
      await killed
      watcher.close()
      await new Promise((resolve) => (asking.exitCode === null ? asking.once('exit', resolve) : resolve(0)))
      await ended(await started(settings))
      expect(readdirSync(data)).not.toContain('.station-key.next')
      const after = keysOf(settings).fingerprint
      ends.push(`${moment}: ${after === before ? 'old' : 'new'}`)
      const found = verified(data, first)
      expect(found.findings.filter(({ kind }) => kind !== 'explained')).toEqual([])
      expect(found.signed_to).toBe(found.sealed_to)
      expect(found.keys.at(-1)?.fingerprint).toBe(after)
    }
    console.info(`killed at ${ends.join(', ')}`)
  })

  it('that is missing at a start is told at the station and by verify, and given up only when asked', async () => {
    const { data, settings } = placed('three')
    await ended(await started(settings))
    const first = keysOf(settings).fingerprint
    rmSync(join(data, '.station-key'))
    const refused = motepost('keys', 'rotate', '-s', settings)
    expect([refused.status, refused.stderr]).toEqual([1, expect.stringContaining('rotate --lost')])
    const lost = rotate(settings, '--lost')
    expect(lost).toMatchObject({ before: first, vouched_for: false, in_force: true })
    expect(verified(data).findings.map(({ kind }) => kind)).toEqual(['new-key'])
    expect(verified(data, lost.key)).toMatchObject({ status: 0 })

    rmSync(join(data, '.station-key'))
    const agent = await started(settings)
    const { faults } = (
      JSON.parse(motepost('status', '-s', settings, '--json').stdout) as {
        status: { faults: { code: string }[] }
      }
    ).status
    expect(faults.map(({ code }) => code)).toContain('key-changed')
    await ended(agent)
    const { fingerprint, others } = keysOf(settings)
    expect(others.map((one) => one.fingerprint)).toEqual([first, lost.key])
    expect(verified(data).findings.map(({ kind }) => kind)).toEqual(['new-key', 'new-key'])
    expect(verified(data, fingerprint)).toMatchObject({ status: 0 })
  })

  it('of the service manager hands over to the next one, which a start with it takes without a word', async () => {
    const { data, settings } = placed('four')
    const [credentials, next] = [mkdtempSync(join(folder, 'credentials-')), newKey()]
    writeFileSync(join(credentials, 'station-key'), newKey().privatePem)
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    const agent = await started(settings)
    const first = keysOf(settings).fingerprint
    vi.unstubAllEnvs()
    const refused = motepost('keys', 'rotate', '-s', settings)
    expect([refused.status, refused.stderr]).toEqual([1, expect.stringContaining('rotate --to FILE')])
    const publicFile = join(folder, 'next.pub')
    writeFileSync(publicFile, next.publicPem)
    const named = rotate(settings, '--to', publicFile)
    expect(named).toMatchObject({ before: first, in_force: false, vouched_for: true })
    writeFileSync(join(folder, 'next.key'), next.privatePem)
    const wrong = motepost('keys', 'rotate', '-s', settings, '--to', join(folder, 'next.key'))
    expect([wrong.status, wrong.stderr]).toEqual([2, expect.stringContaining('never the private one')])
    await ended(agent)
    expect(verified(data, first)).toMatchObject({ status: 0, findings: [] })
    writeFileSync(join(credentials, 'station-key'), next.privatePem)
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    await ended(await started(settings))
    vi.unstubAllEnvs()
    const found = verified(data, first)
    expect(found).toMatchObject({ status: 0, findings: [] })
    expect(found.keys.map(({ fingerprint }) => fingerprint)).toEqual([first, named.key])
    expect(readdirSync(data)).not.toContain('.station-key')
  })
})
