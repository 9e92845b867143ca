/** Settings from afar beside a person's file on a real disk: what a start lays over it, and how a push is judged. */
import { spawnSync } from 'node:child_process'
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { deserialize } from 'node:v8'
import { afterAll, beforeEach, describe, expect, it } from 'vitest'
import { keepLastGood } from '../../agent/cli/keep-last-good.js'
import { baseOf, pushedFilesIn } from '../../agent/cli/pushed-files.js'
import { judgePushed, prepareLastGoodWithPushed, prepareWithPushed } from '../../agent/cli/pushed-plan.js'

const root = mkdtempSync(join(tmpdir(), 'motepost-pushed-'))
afterAll(() => rmSync(root, { recursive: true }))

let places = 0
let folder: string
let file: string
let own: string
beforeEach(() => {
  folder = join(root, String(places++))
  mkdirSync(folder)
  file = join(folder, 'station.yaml')
  own = `version: 1
station: { name: here, time_zone: Etc/GMT }
instruments: [{ layout: frames-424d-32, port: /dev/serial/by-id/adapter }]
data: { folder: ${join(folder, 'data')} }
uplink: { mode: mqtt, url: 'mqtt://b.example', pack_every_min: 30 }
`
  mkdirSync(join(folder, 'data'))
  writeFileSync(file, own)
})

const id = '0123456789abcdef'
const keep = (text: string, base = baseOf(own)) =>
  pushedFilesIn(join(folder, 'data')).keep({ id, base, text, by: 'anna' })
const everyMinutes = (plan: { settings: { health: { everyMinutes: number } } } | undefined) =>
  plan?.settings.health.everyMinutes

describe('settings from afar that are kept', () => {
  it('are in force at a start, in the line of the change and in the hash of what is measured too', async () => {
    const before = (await prepareWithPushed(file)).plan!
    await keep('health: { every_min: 20 }\ndata: { record_s: 30 }\n')
    const { plan, wrong, notes, aside } = await prepareWithPushed(file)
    expect({ wrong, notes, aside }).toEqual({ wrong: [], notes: [], aside: undefined })
    expect([everyMinutes(plan), plan?.settings.data.recordSeconds]).toEqual([20, 30])
    expect(plan?.pushed).toEqual({ id, by: 'anna' })
    expect(plan?.eventDetails).toMatchObject({ 'health.every_min': '20', from_afar: `${id} of anna` })
    expect(plan?.eventDetails.hash).not.toBe(before.eventDetails.hash)
    expect(plan?.measuring).not.toBe(before.measuring)
    // What is kept as having worked, and compared when the file changes, is the file of the person.
    expect(plan?.text).toBe(own)
  })

  it('are void once the file was edited by hand, and that is told', async () => {
    await keep('health: { every_min: 20 }\n')
    writeFileSync(file, `${own}# mended on site\n`)
    const { plan, wrong, notes, aside } = await prepareWithPushed(file)
    expect([everyMinutes(plan), plan?.pushed, wrong]).toEqual([60, undefined, []])
    expect(aside).toMatchObject({ isForGood: true })
    expect(notes).toEqual([
      expect.stringContaining(`(${id} of anna) are void: the settings file was edited by hand`),
    ])
  })

  it('stand over what last worked where the file is broken, and no broken file makes them void', async () => {
    keepLastGood(file, own)
    await keep('health: { every_min: 20 }\n')
    writeFileSync(file, 'version: 1\nstation: {')
    const { plan, wrong, aside } = await prepareWithPushed(file)
    expect([everyMinutes(plan), wrong.length > 0, aside]).toEqual([20, true, undefined])
    expect(everyMinutes(await prepareLastGoodWithPushed(file))).toBe(20)
  })

  it('are left out, and told, where this version does not take them; they stay for one that does', async () => {
    for (const text of [
      'health: { every_minute: 20 }\n',
      'data: { folder: /elsewhere }\n',
      'health: { every_min: 0 }\n',
    ]) {
      await keep(text)
      const { plan, wrong, aside } = await prepareWithPushed(file)
      expect([everyMinutes(plan), plan?.settings.data.folder, wrong]).toEqual([60, join(folder, 'data'), []])
      expect(aside).toMatchObject({
        isForGood: false,
        words: expect.stringContaining('do not pass') as string,
      })
    }
  })

  it('are nothing where all was taken back, or where the state file is no such thing', async () => {
    await keep('{}\n')
    expect((await prepareWithPushed(file)).plan?.pushed).toBeUndefined()
    writeFileSync(join(folder, 'data', '.settings-pushed.json'), 'x')
    writeFileSync(join(folder, 'data', '.settings-pushed.json.previous'), '{}')
    expect((await prepareWithPushed(file)).plan?.settings.health.everyMinutes).toBe(60)
  })
})

const push = (text: string, alone = false) => judgePushed(file, { text, file: 'new.yaml', alone })

describe('a push', () => {
  it('is judged over the file and what is kept, and says for how long it is on trial', async () => {
    await keep('health: { every_min: 20 }\n')
    const judged = await push('uplink: { pack_every_min: 240 }\n')
    expect(judged).toMatchObject({ ok: true, base: baseOf(own), lastsSeconds: 8 * 3600 })
    if (!judged.ok) return
    expect(judged.plan.settings).toMatchObject({
      health: { everyMinutes: 20 },
      uplink: { packEveryMinutes: 240 },
    })
    // What would be kept is all that a start needs.
    await keep(judged.text)
    expect((await prepareWithPushed(file)).plan?.settings).toEqual(judged.plan.settings)
  })

  it('that changes nothing begins no trial: no station begins anew for it', async () => {
    const nothing = { ok: false, lines: [expect.stringMatching(/^new\.yaml changes nothing: /) as string] }
    for (const text of ['{}', 'health: { every_min: 60 }\n', own]) expect(await push(text)).toEqual(nothing)
    await keep('health: { every_min: 20 }\n')
    expect(await push('health: { every_min: 20 }\n')).toEqual(nothing)
    expect(await push('health: { every_min: 20 }\n', true)).toEqual(nothing)
    expect(await push('health: { every_min: 60 }\n')).toMatchObject({ ok: true })
    expect(await push('{}', true)).toMatchObject({ ok: true })
  })

  it('alone takes the place of what is kept', async () => {
    await keep('health: { every_min: 20 }\n')
    const judged = await push('{}', true)
    expect(judged.ok && judged.plan.settings.health.everyMinutes).toBe(60)
  })

  it('forgets what was kept over another file', async () => {
    await keep('health: { every_min: 20 }\n', baseOf('another'))
    const judged = await push('data: { record_s: 30 }\n')
    expect(judged.ok && judged.plan.settings.health.everyMinutes).toBe(60)
  })

  it('is refused with place and words, at most twenty lines of them', async () => {
    expect(await push('data:\n  folder: /elsewhere\nhealth: { every_min: 0 }\n')).toEqual({
      ok: false,
      lines: [
        expect.stringMatching(/^new\.yaml:2:3 data\.folder: cannot be set from afar; .*at the station$/),
        expect.stringMatching(/^new\.yaml:3:22 health\.every_min: 0 is too small/),
      ],
    })
    const many = await push(Array.from({ length: 60 }, (_, i) => `key${i}: 1`).join('\n'))
    expect(!many.ok && [many.lines.length, many.lines.at(-1)]).toEqual([21, 'and 40 more'])
  })

  it('is refused while the file itself has faults, and where what was kept does not pass any more', async () => {
    await keep('data: { must_be_mounted: true }\n')
    const old = await push('health: { every_min: 20 }\n')
    expect(!old.ok && old.lines).toEqual([
      expect.stringContaining('--alone'),
      expect.stringContaining('data.must_be_mounted: cannot be set from afar'),
    ])
    // The answer goes by a broker: it says nothing of what stands in the file.
    writeFileSync(file, own.replace('time_zone: Etc/GMT', 'time_zone: "+1 555 0100"'))
    const broken = await push('health: { every_min: 20 }\n')
    expect(!broken.ok && broken.lines).toEqual([expect.stringContaining('must be mended first')])
    expect(JSON.stringify(broken)).not.toContain('555')
  })

  it('is refused where the station could hardly ever connect with it', async () => {
    own +=
      'power: { battery: { chemistry: lifepo4, capacity_ah: 20, nominal_v: 12.8 }, modem: { every_min: 60 } }\n'
    writeFileSync(file, own)
    const never = await push('power: { modem: { every_min: 1440, from_h: 6, to_h: 18 } }\n')
    expect(!never.ok && never.lines).toEqual([expect.stringContaining('might not connect twice in 7 days')])
  })

  it('is judged the same in a process of its own, whatever the text is', async () => {
    const child = join(import.meta.dirname, '../../dist/agent/cli/prepare-child.js')
    for (const text of [
      'health: { every_min: 20 }\n',
      'data: { folder: /x }\n',
      '',
      '[[[[',
      'a: &a [*a]',
      '\u0000"\u2028',
    ]) {
      const input = JSON.stringify({ text, file: 'new.yaml', alone: false })
      const ran = spawnSync(process.execPath, [child, file, 'pushed'], { input })
      expect(ran.stderr.toString()).toBe('')
      expect(deserialize(ran.stdout), text).toEqual(await push(text))
    }
  })
})
