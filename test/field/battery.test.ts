/**
 * Field cases of the battery: gauges that change their number, that cannot be read, that swing about a limit, and values that
 * cannot be. On a rig: the built `motepost run` beside a made tree of the kernel's files.
 */
import { mkdirSync, renameSync, rmSync, writeFileSync } from 'node:fs'
import { spawnSync } from 'node:child_process'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { chemistries, usualRules } from '../../agent/power/power.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { EventLine } from '../../agent/terms/terms.js'
import type { StationOptions } from '../../agent/station/station.js'
import { FieldRig } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { newClock, startRig, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'
import { waitFor } from '../support/wait.js'

const minute = 60_000
let rig: FieldRig

/** A device of a made hwmon folder. */
function device(tree: string, folder: string, name: string, files: Record<string, string>): void {
  mkdirSync(join(tree, folder), { recursive: true })
  writeFileSync(join(tree, folder, 'name'), `${name}\n`)
  for (const [file, text] of Object.entries(files)) writeFileSync(join(tree, folder, file), text)
}

async function startWithTree(): Promise<string> {
  rig = await FieldRig.make({ broker: true })
  const tree = join(rig.folder, 'hwmon')
  device(tree, 'hwmon0', 'solar_monitor', { in1_input: '13200\n', curr1_input: '-100\n' })
  device(tree, 'hwmon1', 'board', { in1_input: '5000\n', curr1_input: '700\n' })
  rig.writeSettings({
    settings: `gauges:
  - kind: hwmon
    path: ${tree}
    device: solar_monitor
    channels: { battery_voltage: in1_input, battery_current: curr1_input }
power:
  battery: { chemistry: lifepo4, capacity_ah: 20, nominal_v: 12.8 }
  plan: protecting
`,
  })
  rig.feedFrames()
  rig.start()
  await waitFor(
    'a voltage in a record',
    () => rig.records.some((r) => r.values['battery_voltage:mean'] > 0),
    60,
  )
  return tree
}

const volts = (): (number | undefined)[] => rig.records.map((record) => record.values['battery_voltage:mean'])
const has = (at: number, value: number | undefined): boolean => volts().slice(at).includes(value)

describeWith(['socat', 'mosquitto'], 'gauges of the battery [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it(
    'PC-38 a battery gauge that changes its number is followed by its name, never mixed up with another',
    async () => {
      const tree = await startWithTree()
      renameSync(join(tree, 'hwmon0'), join(rig.folder, 'away'))
      renameSync(join(tree, 'hwmon1'), join(tree, 'hwmon0'))
      const between = volts().length
      await waitFor('a record without it', () => has(between, undefined), 60)
      renameSync(join(rig.folder, 'away'), join(tree, 'hwmon1'))
      writeFileSync(join(tree, 'hwmon1', 'in1_input'), '13100\n')
      await waitFor('the value from its new number', () => volts().at(-1) === 13.1, 60)
      expect(volts().filter((value) => value !== undefined && value < 13)).toEqual([])
    },
    2 * minute,
  )

  it(
    'PC-39 a battery gauge that is empty, text, gone or never answers is missing with its reason, and nothing is done about it',
    async () => {
      const tree = await startWithTree()
      const file = join(tree, 'hwmon0', 'in1_input')
      const spoils: (readonly [string, () => void])[] = [
        ['empty', () => writeFileSync(file, '')],
        ['text', () => writeFileSync(file, 'abc\n')],
        ['gone', () => rmSync(file)],
        [
          'a pipe that never answers',
          () => {
            rmSync(file)
            spawnSync('mkfifo', [file])
          },
        ],
      ]
      for (const [what, spoil] of spoils) {
        const at = volts().length
        spoil()
        await waitFor(`a record without the value (${what})`, () => has(at, undefined), 60)
        await rig.untilHealth('gauge-missing', () => rig.hasFault('gauge-missing'), 60)
        rmSync(file, { force: true })
        const back = volts().length
        writeFileSync(file, '13200\n')
        await waitFor('the value again', () => has(back, 13.2), 60)
      }
      expect(volts().filter((value) => value === 0)).toEqual([])
      expect(rig.log).not.toContain('sampling-reduced')
      await rig.untilMeasured('to the end', rig.newestSeq, 1, 60)
    },
    4 * minute,
  )
})

const energy: StationOptions['energy'] = {
  battery: {
    chemistry: chemistries['lead-acid'],
    capacityAmpereHours: 20,
    nominalVolts: 12,
    gaugeGainError: 0.02,
    gaugeOffsetAmperes: 0.05,
  },
  panel: {
    latitudeDegrees: 10,
    longitudeDegrees: 0,
    tiltDegrees: 10,
    azimuthDegrees: 180,
    panelWatts: 50,
    yieldShare: 0.75,
  },
  load: { boardWatts: 1, sensorWatts: 0.5, modemWatts: 0 },
  plan: {
    plan: 'protecting',
    rules: { ...usualRules, ...chemistries['lead-acid'] },
    standardOffsetMinutes: 0,
  },
}

const batteryLow = {
  rule: 'battery-low',
  channel: 'battery_voltage',
  average: '10-min',
  direction: 'below',
  level: 12.15,
  backAt: 12.5,
  onDelaySeconds: 0,
  offDelaySeconds: 1200,
  leastDataCapture: 0.75,
  priority: 'normal',
} as const

async function virtual(values: Record<string, number>): Promise<{ rig: Rig; gauge: ToldGauge }> {
  const clock = newClock()
  const gauge = new ToldGauge(values)
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  const options = { energy, rules: [batteryLow] }
  return {
    rig: await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }], gauge, options }),
    gauge,
  }
}

const told = async (of: Rig, name: string): Promise<EventLine[]> =>
  (await of.lines()).filter((line): line is EventLine => line.kind === 'event' && line.name === name)

describe('values of the battery [virtual]', () => {
  it(
    'PC-40 a voltage that swings about the limit for two hours is one step down, one return and at most two alerts',
    async () => {
      const { rig: station, gauge } = await virtual({ battery_voltage: 12.28 })
      await station.live(10 * 3600)
      for (let at = 10 * 3600; at < 12 * 3600; at += 120) {
        gauge.values.battery_voltage = 12.1 + (at % 240 === 0 ? 0.1 : -0.1)
        await station.live(at + 120)
      }
      gauge.values.battery_voltage = 13
      await station.live(4 * 86_400 + 3600)
      const steps = (await told(station, 'sampling-plan')).map(({ details }) => details.to)
      expect(steps[0]).toBe('heartbeat')
      expect(steps.filter((to) => to === 'heartbeat')).toHaveLength(1)
      // Back by one step a night.
      expect(steps.slice(1)).toEqual([...new Set(steps.slice(1))])
      expect(steps.length).toBeGreaterThan(1)
      expect((await told(station, 'alert')).length).toBeLessThanOrEqual(2)
    },
    2 * minute,
  )

  it('PC-41 single readings of 0, 48 and -1 V are flagged, and nothing is done about them', async () => {
    const { rig: station, gauge } = await virtual({ battery_voltage: 12.7, battery_current: -0.1 })
    await station.live(600)
    for (const odd of [0, 48, -1]) {
      gauge.values.battery_voltage = odd
      await station.live(station.clock.mono() + 60)
      expect(station.codes()).toContain('gauge-absurd')
      gauge.values.battery_voltage = 12.7
      await station.live(station.clock.mono() + 240)
      expect(station.codes()).not.toContain('gauge-absurd')
    }
    expect(await told(station, 'sampling-plan')).toEqual([])
    expect(await told(station, 'alert')).toEqual([])
    expect((station.health().energy as Record<string, unknown>).state_of_charge).toBeGreaterThan(50)
  })
})
