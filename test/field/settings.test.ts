/**
 * Field cases of settings and of what a user does wrong, through the built program: a value is taken as it stands or refused
 * by name; a file that breaks under a running site costs nothing; a data folder that cannot be written is told.
 */
import { spawnSync } from 'node:child_process'
import {
  chmodSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  writeFileSync,
} from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, afterEach, describe, expect, it } from 'vitest'
import { FieldRig, program } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { storedEvents, storedRecords } from '../support/stored-records.js'
import { waitFor } from '../support/wait.js'
import { withoutRights } from '../support/without-rights.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-field-settings-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))

let files = 0
/** Settings with one rule and further lines, as `check --effective` or its refusal tells them. */
function checked(lines: { above?: string; rule?: string; more?: string; station?: string }): {
  code: number | null
  said: string
} {
  const file = join(folder, `station-${files++}.yaml`)
  writeFileSync(
    file,
    `version: 1
station: { name: gate${lines.station ?? ', time_zone: UTC'} }
instruments:
  - { layout: frames-424d-32, port: /dev/motepost-no-such-port }
gauges: [{ kind: hwmon, device: made, channels: { temperature: temp1_input } }]
data: { folder: ${join(folder, 'data')} }
alerts:
  - rule: heat
    channel: temperature
    average: 1-h
    above: ${lines.above ?? '30'}
${lines.rule ?? ''}
${lines.more ?? ''}
`,
  )
  const ran = spawnSync(process.execPath, [program, 'check', '--effective', '-s', file], { encoding: 'utf8' })
  return { code: ran.status, said: ran.stdout + ran.stderr }
}

describe('a value in the settings [rig]', () => {
  it('PC-76 zero, texts, commas, blanks, wild numbers and unknown keys are taken exactly or refused by name', () => {
    const zero = checked({ above: '0' })
    expect(zero.code).toBe(1)
    expect(zero.said).toMatch(/above: 0\n/)
    for (const above of [
      '"0"',
      '"35,5"',
      '35,5',
      '""',
      '1e9',
      '"false"',
      'off',
      'null',
      '-1e9',
      '.inf',
      '35 C',
    ]) {
      const { code, said } = checked({ above })
      expect(code, above).toBe(2)
      expect(said, above).toMatch(/:11:\d+ alerts\[0\]\.above: /)
    }
    expect(checked({ above: '-1' }).said).toMatch(/above: -1\n/)
    const misspelt = checked({ rule: '    on_dely_min: 5' })
    expect(misspelt).toMatchObject({ code: 2 })
    expect(misspelt.said).toMatch(/:12:5 alerts\[0\]\.on_dely_min: .*did you mean on_delay_min\?/)
    expect(checked({ rule: '    above: 31' }).said).toMatch(
      /:12:5 alerts\[0\]\.above: this key is given twice/,
    )
  }, 60_000)

  it('PC-77 seconds in place of milliseconds, or no unit at all, are refused by name', () => {
    const keepalive = checked({ more: 'uplink: { mode: none, keepalive_s: 60000 }' })
    expect(keepalive.code).toBe(2)
    expect(keepalive.said).toContain('uplink.keepalive_s: 60000 looks like milliseconds')
    expect(checked({ more: 'sample_interval: 1' }).said).toMatch(/ sample_interval: /)
    expect(checked({ more: 'uplink: { mode: none, retry: 0 }' }).said).toMatch(/ uplink\.retry: /)
    expect(checked({ more: 'uplink: { mode: none, answer_limit_s: 0 }' }).said).toMatch(
      /answer_limit_s: .*allowed/,
    )
  }, 30_000)

  it('PC-80 a zone that does not exist and a schedule are refused by their keys', () => {
    const zone = checked({ station: ', time_zone: Europe/Nowhere' })
    expect(zone.code).toBe(2)
    expect(zone.said).toMatch(/:2:\d+ station\.time_zone: /)
    // There is no schedule to be written wrongly: what is periodic is an interval with its unit and range.
    for (const schedule of ['"99 * * * *"', '"0 0 31 2 *"']) {
      const { code, said } = checked({ more: `health: { schedule: ${schedule} }` })
      expect(code).toBe(2)
      expect(said).toMatch(/ health\.schedule: .*every_min/)
    }
  }, 30_000)
})

describeWith(['socat', 'mosquitto'], 'a running station [rig]', () => {
  let rig: FieldRig
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  const rule = `alerts:
  - { rule: dust, channel: pm2_5, average: 1-min, above: 50, min_data_capture_percent: 1 }
`

  it('PC-78 the variable NODE_ENV=test changes nothing: a raised alert is still raised after a restart', async () => {
    rig = await FieldRig.make({ broker: true, settings: rule })
    rig.feedFrames(300, () => 120)
    rig.start({ NODE_ENV: 'test' })
    const raised = (): boolean => rig.retained('alerts/dust')?.state === 'raised'
    await waitFor('the alert', raised, 20)
    rig.stopFeeding()
    expect(await rig.stop()).toBe(0)
    expect(readFileSync(join(rig.data, 'state.json'), 'utf8').length).toBeGreaterThan(10)
    rig.start({ NODE_ENV: 'test' })
    await rig.untilHealth(
      'the second session',
      (health) => (health as unknown as { session: number }).session === 2,
      75,
    )
    expect(raised()).toBe(true)
    expect(storedEvents(rig.data).filter(({ name }) => name === 'alert').length).toBe(1)
  }, 120_000)

  it('broken settings start those that last worked with a fault that stands, and mended ones are taken up without a hand', async () => {
    rig = await FieldRig.make()
    rig.feedFrames()
    rig.start()
    await rig.untilMeasured('on good settings')
    expect(await rig.stop()).toBe(0)
    const well = readFileSync(rig.settingsFile, 'utf8')
    writeFileSync(rig.settingsFile, well.slice(0, well.indexOf('data:')))
    rig.log = ''
    rig.start()
    await rig.untilMeasured('on the settings that last worked', rig.newestSeq)
    expect(rig.log).toMatch(/station\.yaml:\d+:\d+ data: /)
    expect(rig.log).toContain('settings that last worked')
    expect(rig.raised('settings-invalid')).toBe(1)
    // Still wrong, otherwise: told, and the station goes on.
    writeFileSync(rig.settingsFile, well.replace('record_s: 1', 'record_s: 0'))
    await rig.untilLog('data.record_s', 20)
    expect(rig.running).toBe(true)
    writeFileSync(rig.settingsFile, well.replace('record_s: 1', 'record_s: 2'))
    await rig.untilLog('stopped: settings mended', 20)
    await waitFor('a record of the mended settings', () => rig.measured().at(-1)!.seconds > 1.5)
    expect(await rig.stop()).toBe(0)
    const seqs = rig.records.map(({ seq }) => seq)
    expect(new Set(seqs).size).toBe(seqs.length)
  }, 90_000)

  it('a layout file that breaks is told by name, and survived where the settings that last worked can do without it', async () => {
    rig = await FieldRig.make()
    const layout = join(rig.folder, 'own.yaml')
    const shipped = join(import.meta.dirname, '../../config/instruments/frames-424d-32.yaml')
    writeFileSync(layout, readFileSync(shipped))
    const text = readFileSync(rig.settingsFile, 'utf8')
    writeFileSync(rig.settingsFile, text.replace('frames-424d-32', layout))
    rig.feedFrames()
    rig.start()
    await rig.untilMeasured('with a layout of the owner')
    expect(await rig.stop()).toBe(0)
    writeFileSync(layout, 'layout: [')
    const ran = spawnSync(process.execPath, [program, 'run', '-s', rig.settingsFile], { encoding: 'utf8' })
    expect(ran.status).toBe(2)
    expect(ran.stderr).toContain(layout)
    // A correction of the settings alone is enough to run again; a broken layout beside a last good one is survived.
    writeFileSync(rig.settingsFile, text)
    rig.start()
    await rig.untilMeasured('with the shipped layout', rig.newestSeq)
    expect(await rig.stop()).toBe(0)
    writeFileSync(rig.settingsFile, text.replace('frames-424d-32', layout))
    rig.start()
    await rig.untilMeasured('on the settings that last worked', rig.newestSeq)
    expect(rig.log).toContain(layout)
  }, 90_000)
})

describe('a data folder that cannot be written [rig]', () => {
  const isRoot = process.getuid?.() === 0
  function ran(data: string, before: readonly string[]): { code: number | null; said: string } {
    const file = join(folder, `station-${files++}.yaml`)
    writeFileSync(
      file,
      `version: 1
station: { name: gate, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data} }
`,
    )
    chmodSync(folder, 0o755)
    const command = [...before, process.execPath, program, 'run', '-s', file]
    const { status, stdout, stderr } = spawnSync(command[0], command.slice(1), {
      encoding: 'utf8',
      timeout: 15_000,
    })
    return { code: status, said: stdout + stderr }
  }

  const places: [string, string, readonly string[], RegExp][] = [
    [
      'in a file system of the kernel',
      '/proc/motepost',
      [],
      /cannot be written|no permission|does not exist/,
    ],
    ['in another one of the kernel', '/sys/motepost', [], /cannot be written|no permission|does not exist/],
    ['below a file', '/etc/passwd/data', [], /there is a file where a folder was expected|does not exist/],
  ]
  it.each(places)('%s ends the start with plain words and 1', (_, data, before, words) => {
    const { code, said } = ran(data, before)
    expect(code, said).toBe(1)
    expect(said).toMatch(words)
    expect(said).toContain(data)
    expect(said).not.toMatch(/\n\s+at /)
  })

  it.skipIf(withoutRights === undefined)(
    'of a folder without permission is told as that, also where root started the test',
    () => {
      const data = join(folder, 'not-mine')
      mkdirSync(data, { mode: 0o700 })
      if (!isRoot) chmodSync(data, 0o500)
      const { code, said } = ran(data, withoutRights ?? [])
      expect(code, said).toBe(1)
      expect(said).toContain('no permission for the data folder')
      expect(said).not.toMatch(/\n\s+at /)
      expect(readdirSync(data)).toEqual([])
    },
  )

  it('on a file system that became read-only loses nothing of what was safe', ({ skip }) => {
    const mount = join(folder, 'mount')
    mkdirSync(mount)
    const mounted = spawnSync('mount', ['-t', 'tmpfs', '-o', 'size=8m', 'tmpfs', mount])
    if (mounted.status !== 0) skip('needs the right to mount a small file system')
    try {
      const data = join(mount, 'data')
      const first = spawnSync('timeout', [
        '-s',
        'TERM',
        '4',
        process.execPath,
        program,
        'run',
        '-s',
        shortRecords(data),
      ])
      expect(first.status).toBe(124)
      const before = storedRecords(data)
      expect(before.length).toBeGreaterThan(0)
      spawnSync('mount', ['-o', 'remount,ro', mount])
      const { code, said } = ran(data, ['timeout', '-s', 'TERM', '5'])
      expect([0, 124], said).toContain(code)
      expect(said).toMatch(/read-only/)
      expect(said).toContain('in memory')
      expect(said).not.toMatch(/\n\s+at /)
      expect(storedRecords(data)).toEqual(before)
    } finally {
      spawnSync('umount', [mount])
    }
    expect(existsSync(mount)).toBe(true)
  }, 40_000)

  function shortRecords(data: string): string {
    const file = join(folder, `station-${files++}.yaml`)
    writeFileSync(
      file,
      `version: 1
station: { name: gate, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data}, record_s: 1, flush_every_s: 1 }
`,
    )
    return file
  }
})
