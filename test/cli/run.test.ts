import { spawn, spawnSync } from 'node:child_process'
import { mkdirSync, mkdtempSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'

/** The built command as a person runs it, with what goes wrong on the first evening. */
const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const folder = mkdtempSync(join(tmpdir(), 'motepost-run-'))

function motepost(...args: string[]): { code: number | null; said: string } {
  const ran = spawnSync(process.execPath, [program, ...args], { encoding: 'utf8', timeout: 60_000 })
  return { code: ran.status, said: ran.stdout + ran.stderr }
}

let files = 0
function settings(text: string): string {
  const file = join(folder, `station-${files++}.yaml`)
  writeFileSync(file, text)
  return file
}

const good = (data: string, port = '/dev/motepost-no-such-port'): string =>
  settings(`version: 1
station: { name: gate, time_zone: Etc/GMT }
instruments: [{ layout: frames-424d-32, port: ${port} }]
data: { folder: ${data} }
clock: { trust: system }
`)

describe('motepost, given what cannot work', () => {
  it('names all faults of a settings file at once, with line and column, and ends with 2', () => {
    const file = settings(`version: 1
station: { name: North Fence }
instruments: [{ layout: frames-424d-32, port: /dev/ttyX, read_every_s: "1,5" }]
data: { foldr: /nowhere }
`)
    for (const command of ['run', 'check']) {
      const { code, said } = motepost(command, '-s', file)
      expect(code, said).toBe(2)
      expect(said).toMatch(/:2:\d+ station\.name: /)
      expect(said).toMatch(/:3:\d+ instruments\[0\]\.read_every_s: /)
      expect(said).toMatch(/:4:\d+ data\.foldr: .*folder/)
      expect(said).not.toMatch(/\n\s+at /)
    }
  })

  it.each([
    ['an empty settings file', () => settings('')],
    ['a folder in place of the settings file', () => folder],
    ['no settings file', () => join(folder, 'nothing.yaml')],
  ])('ends with 2 and plain words for %s', (_, file) => {
    const { code, said } = motepost('run', '-s', file())
    expect(code, said).toBe(2)
    expect(said.length).toBeGreaterThan(20)
    expect(said).not.toMatch(/\n\s+at /)
  })

  it('refuses a file in place of the data folder, and a folder with other things in it', () => {
    const file = join(folder, 'a-file')
    writeFileSync(file, 'x')
    expect(motepost('run', '-s', good(file))).toMatchObject({
      code: 1,
      said: expect.stringContaining(file) as string,
    })
    const other = join(folder, 'other')
    mkdirSync(other)
    writeFileSync(join(other, 'letter.txt'), 'x')
    const refused = motepost('run', '-s', good(other))
    expect(refused.code).toBe(1)
    expect(refused.said).toContain('letter.txt')
  })

  it('refuses a file as the folder of the demo in plain words', () => {
    const file = join(folder, 'kept')
    writeFileSync(file, 'x')
    const { code, said } = motepost('demo', '--keep', file)
    expect(code, said).toBe(1)
    expect(said).toContain('there is a file where a folder was expected')
    expect(said).not.toMatch(/\n\s+at /)
  })

  it('runs without its port and says so, refuses a second agent on the same data folder, and ends well', async () => {
    const file = good(join(folder, 'data'))
    const first = spawn(process.execPath, [program, 'run', '-s', file])
    let log = ''
    await new Promise<void>((resolve) => {
      first.stdout.on('data', (d: Buffer) => {
        log += d.toString()
        if (log.includes('"running"') && log.includes('port-missing')) resolve()
      })
    })
    const second = motepost('run', '-s', file)
    expect(second.code).toBe(1)
    expect(second.said).toContain('another agent')
    const exit = new Promise((resolve) => first.once('exit', resolve))
    first.kill('SIGTERM')
    expect(await exit).toBe(0)
  })

  it('starts the settings that last worked when the file was broken since, and says so', async () => {
    const file = good(join(folder, 'data-2'))
    const run = async (): Promise<string> => {
      const agent = spawn(process.execPath, [program, 'run', '-s', file])
      let said = ''
      agent.stderr.on('data', (d: Buffer) => (said += d.toString()))
      await new Promise<void>((resolve, reject) => {
        agent.stdout.on('data', (d: Buffer) => d.toString().includes('"running"') && resolve())
        agent.once('exit', (code) => reject(new Error(`ended with ${code}: ${said}`)))
      })
      agent.removeAllListeners('exit')
      const exit = new Promise((resolve) => agent.once('exit', resolve))
      agent.kill('SIGTERM')
      await exit
      return said
    }
    await run()
    writeFileSync(file, 'version: 1\nstation: {')
    expect(await run()).toContain('settings that last worked')
    expect(motepost('check', '-s', file).code).toBe(2)
  })
})
