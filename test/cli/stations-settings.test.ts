/** What `stations settings` finds wrong before anything is sent; the way to a station and back is test/rig/settings-afar.test.ts. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { pushSettings, type PushOptions } from '../../agent/cli/stations-settings.js'
import { configText } from '../settings/support.js'
import { newKey } from '../support/keys.js'
import { printed } from '../support/printed.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-push-'))
afterAll(() => rmSync(folder, { recursive: true }))

const key = join(folder, 'anna.key')
writeFileSync(key, newKey().privatePem)

let files = 0
function put(text: string): string {
  const file = join(folder, `push-${files++}.yaml`)
  writeFileSync(file, text)
  return file
}

/** Nobody listens at this address: what is well ends with 1 there, and what is wrong never gets so far. */
const nobody = 'mqtt://127.0.0.1:1'

function pushed(file?: string, more: Partial<PushOptions> = {}): Promise<{ code: number; said: string }> {
  const options = { broker: nobody, group: 'home', key, protocol: '5', waitMinutes: '1', ...more }
  return printed(() => pushSettings('gate', file, options))
}

describe('stations settings', () => {
  it('sends what a station might take, also keys that this version does not know', async () => {
    const trial = '0123456789abcdef'
    for (const well of [
      await pushed(put('health: { every_min: 20 }\n')),
      await pushed(put('of_a_later_version: 1\nhealth: { every_min: 0 }\n')),
      await pushed(put('{}\n'), { alone: true }),
      await pushed(undefined, { confirm: trial }),
      await pushed(),
    ])
      expect(well).toMatchObject({ code: 1, said: expect.stringContaining('broker') as string })
  })

  it.each<[string, string, RegExp]>([
    ['is empty', '', /says nothing: write the keys/],
    ['has comments only', '# health\n', /says nothing: write the keys/],
    ['is no YAML', 'health: {\n', /push-\d+\.yaml:\d+:\d+: /],
    ['has a tab', 'health:\n\tevery_min: 20\n', /:2:1.*tab/],
    ['says a key twice', 'log: { level: info }\nlog: { level: warn }\n', /:2:1 log: /],
    ['holds a password', 'uplink: { password: hunter2 }\n', /uplink\.password/],
  ])('sends no file that %s, and says where', async (_, text, words) => {
    const { code, said } = await pushed(put(text))
    expect(code, said).toBe(2)
    expect(said).toMatch(words)
    expect(said).not.toContain('hunter2')
  })

  it('sends nothing that is too long for a command, and says how long it may be', async () => {
    const example = await pushed(put(configText('example.yaml')))
    expect(example).toMatchObject({
      code: 2,
      said: expect.stringMatching(/\d characters, and a command holds at most 12000/) as string,
    })
    // In JSON each of these takes two bytes more.
    const quotes = await pushed(put(`# ${'"ü'.repeat(5_900)}\nlog: { level: info }\n`))
    expect(quotes).toMatchObject({
      code: 2,
      said: expect.stringMatching(/signed it is \d+ bytes, and a station takes at most 16384/) as string,
    })
  })

  it('names what is missing or does not go together', async () => {
    expect((await pushed(join(folder, 'nothing.yaml'))).said).toContain('no such file')
    expect((await pushed(put('{}'), { confirm: '0123456789abcdef' })).code).toBe(2)
    expect((await pushed(undefined, { confirm: 'anna' })).said).toContain('16 hex digits')
    expect(await pushed(undefined, { alone: true })).toMatchObject({ code: 2 })
    expect((await pushed(put('{}'), { key: folder })).code).toBe(2)
  })

  it('names the option and the file that cannot be used, and a name that is none', async () => {
    const publicHalf = put(newKey().publicPem)
    for (const [more, station, words] of [
      [{ key: join(folder, 'nobody.key') }, 'gate', /^--key .*nobody\.key \(no such file\)/],
      [{ key: folder }, 'gate', /^--key .*\(is a folder\)/],
      [{ key: publicHalf }, 'gate', /^--key .* holds the public half/],
      [{ passwordFile: join(folder, 'none') }, 'gate', /^--password-file .*\(no such file\)/],
      [{ caFile: folder }, 'gate', /^--ca-file .*\(is a folder\)/],
      [{}, 'gate/+', /^station gate\/\+: expected 1 to 32 small letters/],
      [{ group: '#' }, 'gate', /^--group #: expected/],
    ] as const) {
      const options = { broker: nobody, group: 'home', key, protocol: '5', waitMinutes: '1', ...more }
      const { code, said } = await printed(() => pushSettings(station, undefined, options))
      expect(said).toMatch(words)
      expect(code).toBe(2)
    }
    const { code, said } = await pushed(join(folder, 'none.yaml'))
    expect([code, said.includes('none.yaml (no such file): name the file with the settings')]).toEqual([
      2,
      true,
    ])
  })
})
