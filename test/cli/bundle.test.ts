/** The support bundle, as a person makes it: beside a running agent, beside none, and with settings that cannot be used. */
import { spawnSync } from 'node:child_process'
import { chmodSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { baseOf, pushedFilesIn } from '../../agent/cli/pushed-files.js'
import { ended, started } from '../support/agents.js'
import { built, runWithoutRights, withoutRights } from '../support/without-rights.js'

vi.setConfig({ testTimeout: 90_000 })

const program = built('cli/main.js')
const folder = mkdtempSync(join(tmpdir(), 'motepost-bundle-'))
afterAll(() => rmSync(folder, { recursive: true }))

function motepost(args: readonly string[], cwd = folder): { code: number | null; out: string; err: string } {
  const ran = spawnSync(process.execPath, [program, ...args], { encoding: 'utf8', timeout: 60_000, cwd })
  return { code: ran.status, out: ran.stdout, err: ran.stderr }
}

let count = 0
function station(extra = ''): { file: string; data: string; bundle: string } {
  const name = `s${count++}`
  const [file, data] = [join(folder, `${name}.yaml`), join(folder, name)]
  writeFileSync(
    file,
    `version: 1
station: { name: gate, time_zone: Etc/GMT-1 }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data}, record_s: 1, flush_every_s: 1 }
clock: { trust: system }
${extra}`,
  )
  return { file, data, bundle: join(folder, `${name}.json`) }
}

const run = (file: string) => started(file, 'port-missing')

interface Bundle {
  readonly program: Record<string, unknown>
  readonly settings: Record<string, unknown>
  readonly named: Record<string, string>
  readonly agent: {
    readonly runs: unknown
    readonly why?: string
    readonly status?: { readonly faults: readonly object[] }
    readonly health?: { readonly instruments: readonly object[] }
    readonly log?: readonly { readonly words: string }[]
  }
  readonly store: {
    readonly files?: readonly { readonly name: string; readonly bytes: number }[]
    readonly not_listed?: { readonly files: number; readonly bytes: number }
    readonly stores?: readonly object[]
    readonly happened?: readonly { readonly what: string; readonly details?: object }[]
  }
}
const read = (path: string): Bundle => JSON.parse(readFileSync(path, 'utf8')) as Bundle

describe('a bundle', () => {
  it('of a running station holds what a helper asks first, and says what is in it and what is not', async () => {
    const { file, bundle } = station()
    await run(file)
    const made = motepost(['status', '-s', file, '--bundle', bundle])
    expect(made).toMatchObject({ code: 0, err: '' })
    expect(made.out).toContain(`Written: ${bundle} (`)
    expect(made.out).toMatch(/not in it: passwords/)
    expect(made.out).toContain('read it through before you send it')
    expect(statSync(bundle).mode & 0o777).toBe(0o600)
    const told = read(bundle)
    expect(told).toMatchObject({
      station: 'gate',
      program: { motepost: expect.any(String) as string, node: process.versions.node },
      settings: { file: 'well', values: { data: { record_s: 1 }, station: { name: 'gate' } } },
      named: { 'instruments[0].port': 'not there' },
      agent: {
        runs: true,
        status: { state: 'trouble', link: { state: 'none' }, settings: { from: 'file' } },
        health: { instruments: [{ name: 'sensor 1', decoder: { taken: 0 } }] },
      },
      disk: { kind: expect.any(String) as string, read_only: false },
      store: { stores: [{ problems: 0, files: 1 }] },
    })
    expect(told.agent.status!.faults).toEqual([
      {
        ...{ code: 'port-missing', words: 'the sensor port does not exist' },
        ...{ for_s: expect.any(Number) as number, times: expect.any(Number) as number },
      },
    ])
    expect(told.agent.log!.map(({ words }) => words)).toContain('the sensor port does not exist')
    expect(told.store.happened!.map(({ what }) => what)).toEqual(
      expect.arrayContaining(['started', 'settings', 'time check']),
    )
    const files = told.store.files!
    expect(files.find(({ name }) => name === 'lines-000000000001.csv')!.bytes).toBeGreaterThan(500)
    expect(files.map(({ name }) => name)).toContain('state.json')
  })

  it('of a stopped one has its name from station and time, says when it stopped, and names no file that is not ours', async () => {
    const { file, data } = station()
    await ended(await run(file), 'SIGTERM')
    writeFileSync(join(data, 'letter to annabel.txt'), '12345')
    const where = mkdtempSync(join(folder, 'here-'))
    const made = motepost(['status', '-s', file, '--bundle', '--json'], where)
    expect(made.code).toBe(0)
    const [name] = readdirSync(where)
    expect(name).toMatch(/^motepost-gate-\d{8}T\d{6}Z\.json$/)
    expect(JSON.parse(made.out)).toEqual({ v: 1, file: name, bytes: statSync(join(where, name)).size })
    const told = read(join(where, name))
    expect(told.agent).toEqual({ runs: false, why: 'agent-not-running' })
    expect(told.store.happened!.at(-1)).toMatchObject({ what: 'stopped', details: { reason: 'SIGTERM' } })
    expect(told.store.not_listed).toEqual({ files: 1, bytes: 5 })
    expect(readFileSync(join(where, name), 'utf8')).not.toContain('annabel')
  })

  it('with settings that cannot be used names what is wrong by line and key, and shows those that last worked', async () => {
    const { file, bundle, data } = station()
    await ended(await run(file), 'SIGTERM')
    writeFileSync(file, readFileSync(file, 'utf8').replace('record_s: 1', 'record_s: zqvalue'))
    expect(motepost(['status', '-s', file, '--bundle', bundle]).code).toBe(0)
    expect(read(bundle).settings).toMatchObject({
      file: 'broken',
      faults: [{ code: 'not-a-number', line: 4, key: 'data.record_s' }],
      shown: 'those that last worked',
      values: { data: { folder: data, record_s: 1 } },
    })
    expect(readFileSync(bundle, 'utf8')).not.toContain('zqvalue')
  })

  it('with settings that never worked still tells of the data folder that they name; without a file, of the machine', async () => {
    const { file, data } = station()
    await ended(await run(file), 'SIGTERM')
    const other = join(folder, 'other.yaml')
    writeFileSync(other, readFileSync(file, 'utf8').replace('version: 1', 'version: 9'))
    const [first, second] = [join(folder, 'first.json'), join(folder, 'second.json')]
    expect(motepost(['status', '-s', other, '--bundle', first]).code).toBe(0)
    expect(read(first)).toMatchObject({
      settings: { file: 'broken', shown: 'none' },
      store: { readable: true, stores: [{ problems: 0 }] },
    })
    expect(readFileSync(first, 'utf8')).not.toContain(data)
    expect(motepost(['status', '-s', join(folder, 'none.yaml'), '--bundle', second]).code).toBe(0)
    expect(read(second)).toMatchObject({
      settings: { file: 'cannot be read', why: 'settings-missing', shown: 'none' },
      program: { node: process.versions.node },
      store: {},
    })
  })

  it('shows settings as they are in force: with those from afar over them', async () => {
    const { file, data, bundle } = station()
    await ended(await run(file), 'SIGTERM')
    const pushed = { id: '0123456789abcdef', base: baseOf(readFileSync(file, 'utf8')), by: 'zqanna' }
    await pushedFilesIn(data).keep({ ...pushed, text: 'health: { every_min: 7 }' })
    expect(motepost(['status', '-s', file, '--bundle', bundle]).code).toBe(0)
    expect(read(bundle).settings).toMatchObject({
      ...{ file: 'well', shown: 'those of the file', from_afar: 'laid over them' },
      values: { health: { every_min: 7 }, data: { record_s: 1 } },
    })
    expect(readFileSync(bundle, 'utf8')).not.toContain('zqanna')
  })

  it('says of a layout that is not there that the settings cannot be used, though their file is well', () => {
    const { file, bundle } = station()
    const layout = join(folder, 'zqlayout.yaml')
    writeFileSync(file, readFileSync(file, 'utf8').replace('layout: frames-424d-32', `layout: ${layout}`))
    expect(motepost(['status', '-s', file, '--bundle', bundle]).code).toBe(0)
    expect(read(bundle).settings).toMatchObject({
      ...{ file: 'well', layouts: 'one that is named cannot be used', shown: 'none' },
    })
  })

  it('says whether the files that the settings name can be read, and nothing that is in them', () => {
    const password = join(folder, 'broker-password')
    writeFileSync(password, 'zqpassword')
    const { file, bundle } = station(
      `uplink: { mode: mqtt, url: 'mqtts://b.example.org', username: zquser, password_file: ${password}, ca_file: ${folder}/none.pem }\n`,
    )
    expect(motepost(['status', '-s', file, '--bundle', bundle]).code).toBe(0)
    expect(read(bundle).named).toMatchObject({
      'uplink.password_file': 'file, can be read',
      'uplink.ca_file': 'not there',
    })
    expect(readFileSync(bundle, 'utf8')).not.toMatch(/zqpassword|zquser|b\.example|broker-password/)
  })
})

describe('a bundle that cannot be written', () => {
  it('leaves a file that is there as it is, and says what to do', () => {
    const { file } = station()
    const there = join(folder, 'there.json')
    writeFileSync(there, 'mine')
    const refused = motepost(['status', '-s', file, '--bundle', there])
    expect(refused).toMatchObject({
      code: 2,
      out: '',
      err: expect.stringContaining('there already') as string,
    })
    expect(readFileSync(there, 'utf8')).toBe('mine')
    const nowhere = motepost(['status', '-s', file, '--bundle', join(folder, 'no', 'x.json')])
    expect(nowhere).toMatchObject({ code: 2, err: expect.stringContaining('no such folder') as string })
    const both = motepost(['status', '-s', file, '--bundle', '--watch'])
    expect(both).toMatchObject({ code: 2, err: expect.stringContaining('cannot be used with') as string })
    expect(motepost(['status', '-s', file, '--bundle', 'x', '--set-clock', 'now']).code).toBe(2)
  })

  it.skipIf(withoutRights === undefined)(
    'for want of permission is told by name, with a place that will do',
    async () => {
      const { file } = station()
      chmodSync(folder, 0o755)
      const closed = mkdtempSync(join(folder, 'closed-'))
      chmodSync(closed, 0o555)
      const path = join(closed, 'x.json')
      const refused = await runWithoutRights([program, 'status', '-s', file, '--bundle', path])
      expect(refused).toMatchObject({ code: 1, out: '' })
      expect(refused.err).toContain(`${path} cannot be made (EACCES): name a file where you may write`)
      expect(refused.err).not.toMatch(/\n\s+at /)
    },
  )
})
