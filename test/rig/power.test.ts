/**
 * Living on the battery, with real parts: the built `motepost run`, a pty in place of the sensor's adapter, a made tree of the
 * kernel's files for the gauge and the clock with the alarm, and scripts that write down when they were run. The battery is
 * a small one, so that seconds of a current that it can still give change its charge by what a decision needs.
 */
import { spawnSync } from 'node:child_process'
import { chmodSync, existsSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, expect, it } from 'vitest'
import { FieldRig, program } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { storedEvents } from '../support/stored-records.js'
import { waitFor } from '../support/wait.js'
import { WallClock } from '../support/wall-clock.js'

const minute = 60_000
const limitSeconds = 60
/** Commands of the layout (config/instruments/frames-424d-32.yaml). */
const sleep = '424de400000173'
const wake = '424de400010174'

let rig: FieldRig
let heard = ''

const file = (name: string): string => join(rig.folder, name)
const hears = (hex: string): boolean => (heard += rig.pty.heard().toString('hex')).includes(hex)
const runsOf = (script: string): string =>
  existsSync(file(`${script}.runs`)) ? readFileSync(file(`${script}.runs`), 'utf8') : ''
const eventsOf = (name: string): string[] =>
  storedEvents(rig.data)
    .filter((event) => event.name === name)
    .map(({ details }) => details)

function gauge(volts: number, amperes: number): void {
  const folder = join(rig.folder, 'hwmon', 'hwmon0')
  mkdirSync(folder, { recursive: true })
  const files = { name: 'solar_monitor', in1_input: volts * 1000, curr1_input: amperes * 1000 }
  for (const [name, text] of Object.entries(files)) writeFileSync(join(folder, name), `${text}\n`)
}

/** A program that writes down its words. */
function script(name: string): string {
  writeFileSync(file(name), `#!/bin/sh\necho "$@" >> ${file(`${name}.runs`)}\n`)
  chmodSync(file(name), 0o755)
  return file(name)
}

/** @param power further keys of the block `power`, made once the folder is there */
async function make(power: () => string): Promise<void> {
  rig = await FieldRig.make()
  heard = ''
  gauge(12.93, 0)
  rig.writeSettings({
    settings: `gauges:
  - kind: hwmon
    path: ${join(rig.folder, 'hwmon')}
    device: solar_monitor
    channels: { battery_voltage: in1_input, battery_current: curr1_input }
power:
  battery: { chemistry: lifepo4, capacity_ah: 0.5, nominal_v: 12.8 }
  resume_points: 1
  cut_off_percent: 29.8
${power()}
`,
  })
  rig.feedFrames()
}

/** Half a percent above its reserve the battery gives what it can, until the plan has seen it fall below. */
async function runDown(): Promise<void> {
  await rig.untilMeasured('before the battery falls', 0, 1, limitSeconds)
  gauge(12.93, -1)
  await waitFor('a step down', () => eventsOf('sampling-plan').length > 0, limitSeconds)
}

const check = (...more: string[]): string =>
  spawnSync(process.execPath, [program, 'check', '--settings', rig.settingsFile, ...more], {
    encoding: 'utf8',
  }).stdout

/** The script ended nothing: the boot of this machine is taken for the one after the trial. */
function asIfEndedAndWoken(): void {
  const note = join(rig.data, 'wake-trial.json')
  const uptime = Number(readFileSync('/proc/uptime', 'utf8').split(' ')[0])
  const trial = JSON.parse(readFileSync(note, 'utf8')) as { boot: string; wakeAt: number }
  const before = {
    boot: 'b0070000-0000-4000-8000-000000000000',
    wakeAt: Math.round(Date.now() / 1000 - uptime),
  }
  writeFileSync(note, JSON.stringify({ ...trial, ...before }))
}

const newSince = (seq: number) => rig.records.filter((record) => record.seq > seq)

describeWith(['socat', 'faketime'], 'a station on its battery [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it(
    'steps down below the reserve, never powers itself off unproven, and waits through six dawns after a hard cut',
    async () => {
      await make(
        () => `  plan: protecting
  modem: { switch: { on: [${script('modem')}, 'on'], off: [${script('modem')}, 'off'] }, every_min: 1, on_min: 1 }
  board_off: { command: [${script('off')}], wake_alarm: ${file('alarm')} }`,
      )
      writeFileSync(file('alarm'), '0\n')
      rig.start()
      await runDown()
      expect(eventsOf('sampling-plan')[0]).toMatch(/to=heartbeat;reason=below-/)
      await waitFor('the sleep command on the line', () => hears(sleep), limitSeconds)
      await rig.untilLog('wake-unproven', limitSeconds)
      expect(runsOf('off')).toBe('')
      gauge(12.93, 0)
      await rig.stop()

      const safe = new Set(rig.records.map(({ seq }) => seq))
      // This one is cut off, and so are the six that the sun of the morning starts.
      for (let dawn = 0; dawn <= 6; dawn++) {
        heard = ''
        writeFileSync(file('modem.runs'), '')
        const before = rig.newestSeq
        rig.start()
        await waitFor('records of a start', () => newSince(before).length >= 2, limitSeconds)
        expect(eventsOf('hard-cut')).toHaveLength(dawn)
        expect(newSince(before).filter(({ used, values }) => used > 0 && 'pm2_5:mean' in values)).toEqual([])
        expect(hears(wake)).toBe(false)
        if (dawn > 0) expect(runsOf('modem')).not.toContain('on')
        await rig.stop('SIGKILL')
        for (const { seq } of rig.records) safe.add(seq)
      }

      rig.start()
      gauge(12.93, 1)
      await waitFor('the modem after the recovery', () => runsOf('modem').includes('on'), 2 * limitSeconds)
      await rig.stop()
      expect(runsOf('off')).toBe('')
      const kept = new Set(rig.records.map(({ seq }) => seq))
      expect([...safe].filter((seq) => !kept.has(seq))).toEqual([])
      expect(kept.size).toBe(rig.records.length)
    },
    6 * minute,
  )

  it(
    'with a proven wake path tells, flushes, sets the alarm, ends the board, and starts again',
    async () => {
      await make(
        () => `  plan: protecting
  board_off: { command: [${script('off')}, now], wake_alarm: ${file('alarm')} }`,
      )
      writeFileSync(file('alarm'), '0\n')
      // Before the start: a station that has found its path unproven asks again after an hour.
      expect(check()).toContain('until then it is never ended: check --try-wake')
      expect(check('--try-wake')).toContain('The board is ended now, and is to wake by ')
      expect(runsOf('off')).toBe('now\n')
      expect(check()).toContain('a trial is under way')
      expect(Number(readFileSync(file('alarm'), 'utf8'))).toBeGreaterThan(Date.now() / 1000)
      asIfEndedAndWoken()
      expect(check()).toMatch(/in a trial the board woke by it, -?\d+ s after its time/)
      writeFileSync(file('off.runs'), '')
      rig.start()
      await runDown()
      await waitFor('the power-off command', () => runsOf('off') !== '', limitSeconds)
      const alarm = Number(readFileSync(file('alarm'), 'utf8'))
      expect(alarm).toBeGreaterThan(Date.now() / 1000 + 3600)
      // The command came last: what tells of it is on the disk.
      expect(eventsOf('power-off')).toHaveLength(1)
      expect(runsOf('off')).toBe('now\n')
      await rig.stop('SIGKILL')
      const safe = rig.records.map(({ seq }) => seq)
      gauge(12.93, 1)
      rig.start()
      await waitFor('records after sunrise', () => newSince(Math.max(...safe)).length > 0, limitSeconds)
      const kept = new Set(rig.records.map(({ seq }) => seq))
      expect(safe.filter((seq) => !kept.has(seq))).toEqual([])
    },
    4 * minute,
  )

  it(
    'sends the sensor to sleep at the end of a window of the plan and wakes it at the next',
    async () => {
      await make(() => '  plan: 5-of-15')
      const clock = new WallClock(rig.folder)
      const now = Date.now() / 1000
      /** So that a quarter of an hour is `seconds` old in so many seconds. */
      const toQuarter = (seconds: number): number => Math.round(900 - (now % 900) + seconds)
      clock.set(toQuarter(280))
      rig.start(clock.env)
      await rig.untilMeasured('in the window', 0, 1, limitSeconds)
      await waitFor('the sleep command', () => hears(sleep), limitSeconds)
      const asleepAt = rig.newestSeq
      await waitFor('records asleep', () => newSince(asleepAt + 1).length >= 2, limitSeconds)
      expect(newSince(asleepAt + 1).some(({ values }) => 'pm2_5:mean' in values)).toBe(false)
      await rig.stop()
      heard = ''
      clock.set(toQuarter(870) - Math.round(Date.now() / 1000 - now))
      const before = rig.newestSeq
      rig.start(clock.env)
      await waitFor('records before the window', () => newSince(before).length >= 2, limitSeconds)
      expect(hears(wake)).toBe(false)
      await waitFor('the wake command', () => hears(wake), limitSeconds)
      await rig.untilMeasured('in the next window', before, 1, limitSeconds)
    },
    4 * minute,
  )
})
