import { spawn, spawnSync } from 'node:child_process'
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { dirname, join } from 'node:path'
import { afterAll, afterEach, beforeEach, describe, expect, it } from 'vitest'
import { findGauges } from '../../agent/cli/setup-gauges.js'
import { setupText, type SetupAnswers } from '../../agent/cli/setup-text.js'
import { readSettings } from '../../agent/settings/settings.js'
import { frame, program } from '../support/field-rig.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-setup-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))

function motepost(...args: string[]): { code: number | null; said: string } {
  const ran = spawnSync(process.execPath, [program, ...args], { encoding: 'utf8', timeout: 60_000 })
  return { code: ran.status, said: ran.stdout + ran.stderr }
}

/** A tree like that of the kernel: a battery, a power monitor, a climate probe, a charger and a processor's heat. */
function madeSys(): string {
  const sys = mkdtempSync(join(folder, 'sys-'))
  const put = (path: string, text: string): void => {
    mkdirSync(dirname(join(sys, path)), { recursive: true })
    writeFileSync(join(sys, path), text + '\n')
  }
  put('class/power_supply/house_battery/type', 'Battery')
  put('class/power_supply/house_battery/voltage_now', '12600000')
  put('class/power_supply/house_battery/capacity', '81')
  put('class/power_supply/charger/type', 'Mains')
  put('class/power_supply/charger/voltage_now', '5000000')
  put('class/hwmon/hwmon0/name', 'cpu_heat')
  put('class/hwmon/hwmon0/temp1_input', '41000')
  put('class/hwmon/hwmon1/name', 'solar_monitor')
  put('class/hwmon/hwmon1/in1_input', '18200')
  put('class/hwmon/hwmon1/curr1_input', 'not a number')
  put('bus/iio/devices/iio:device0/name', 'climate')
  put('bus/iio/devices/iio:device0/in_temp_input', '21500')
  put('bus/iio/devices/iio:device0/in_humidityrelative_input', '54300')
  return sys
}

describe('what setup finds of the kernel', () => {
  it('is what can be read now: a battery and a climate as they are, a power monitor to choose from', async () => {
    expect(await findGauges(madeSys())).toEqual([
      {
        kind: 'hwmon',
        device: 'solar_monitor',
        channels: [{ channel: 'battery_voltage', file: 'in1_input' }],
        unsure: true,
      },
      {
        kind: 'power_supply',
        device: 'house_battery',
        channels: [
          { channel: 'state_of_charge', file: 'capacity' },
          { channel: 'battery_voltage', file: 'voltage_now' },
        ],
        unsure: false,
      },
      {
        kind: 'iio',
        device: 'climate',
        channels: [
          { channel: 'humidity', file: 'in_humidityrelative_input' },
          { channel: 'temperature', file: 'in_temp_input' },
        ],
        unsure: false,
      },
    ])
    expect(await findGauges(join(folder, 'nothing'))).toEqual([])
  })
})

describe('the file that setup writes', () => {
  const sensor = { layout: 'frames-424d-32', port: '/dev/ttyUSB0', about: 'made' }
  const answers: SetupAnswers = {
    name: 'north-fence',
    zone: 'UTC',
    dataFolder: '/var/lib/motepost',
    sensors: [sensor],
    gauges: [],
    sys: '/sys',
  }

  it.each<[string, Partial<SetupAnswers>]>([
    ['of the least', {}],
    ['with a broker and a group', { broker: 'mqtts://broker.example.org:8883', group: 'slate-hollow' }],
    ['with two sensors', { sensors: [sensor, { ...sensor, port: '/dev/ttyUSB1', baud: 19_200 }] }],
    ['with odd characters in its paths', { dataFolder: "/srv/mote post/#1: 'a'" }],
  ])('%s is taken without a fault, and so it is with its comments taken away', (_, more) => {
    const text = setupText({ ...answers, ...more })
    expect(readSettings(text, 'station.yaml')).toMatchObject({ ok: true })
    const rule = text.slice(text.indexOf('# alerts:')).replaceAll(/^# /gm, '')
    expect(readSettings(text.slice(0, text.indexOf('# alerts:')) + rule, 'station.yaml')).toMatchObject({
      ok: true,
    })
  })

  it('has the gauges that were found, and those it cannot be sure of as comments that can be taken away', async () => {
    const sys = madeSys()
    const text = setupText({ ...answers, gauges: await findGauges(sys), sys })
    const read = readSettings(text, 'station.yaml')
    expect(read.ok && read.settings.gauges.map((gauge) => 'device' in gauge && gauge.device)).toEqual([
      'house_battery',
      'climate',
    ])
    const only = setupText({ ...answers, gauges: (await findGauges(sys)).filter(({ unsure }) => unsure) })
    const taken = only.replaceAll(
      /^#? {0,2}# (gauges:| {2}- kind| {2,}(device|channels|battery_voltage):?)/gm,
      '$1',
    )
    expect(readSettings(only, 'station.yaml')).toMatchObject({ ok: true })
    expect(taken).toContain('solar_monitor')
  })
})

describe('setup with nothing that speaks', () => {
  const file = join(folder, 'none.yaml')
  const nowhere = join(folder, 'no-such-port')

  it('writes nothing, names the port and what to do, and ends with 1', () => {
    const { code, said } = motepost('setup', '-s', file, '--port', nowhere, '--sys', folder)
    expect(code, said).toBe(1)
    expect(said).toContain(`${nowhere}: the sensor port does not exist`)
    expect(said).toContain('No sensor was heard')
    expect(said).toContain('--layout NAME')
    expect(existsSync(file)).toBe(false)
  })

  it('takes what it is told instead, without a terminal and without a question', () => {
    const told = [
      '--port',
      nowhere,
      '--layout',
      'frames-424d-32',
      '--name',
      'gate',
      '--zone',
      'Etc/GMT-1',
      '--sys',
      folder,
    ]
    const { code, said } = motepost('setup', '-s', file, ...told, '--data', join(folder, 'data'))
    expect(code, said).toBe(0)
    expect(said).toContain(`motepost check --settings ${file}`)
    expect(said).not.toContain('fuse')
    expect(readSettings(readFileSync(file, 'utf8'), file)).toMatchObject({
      ok: true,
      settings: { station: { name: 'gate', timeZone: 'Etc/GMT-1' }, uplink: { mode: 'none' } },
    })
    const again = motepost('setup', '-s', file, ...told)
    expect(again.code).toBe(2)
    expect(again.said).toContain('is there already')
    const forced = motepost('setup', '-s', file, ...told, '--force', '--solar')
    expect(forced.code, forced.said).toBe(0)
    expect(forced.said).toMatch(/fuse at the battery[^]*below freezing[^]*electrician/)
  })

  it.each([
    ['a name no station can have', ['--name', 'North Fence'], 'station.name'],
    ['a zone that does not exist', ['--zone', 'Europe/Nowhere'], 'station.time_zone'],
    ['a broker without a scheme', ['--broker', 'broker.example.org'], 'uplink.url'],
    ['a layout that is none', ['--layout', 'frames-0000'], 'frames-0000'],
  ])('refuses %s by name, writes nothing and ends with 2', (_, words, named) => {
    const other = join(folder, 'refused.yaml')
    const args = words.includes('--layout') ? words : [...words, '--layout', 'frames-424d-32']
    const { code, said } = motepost('setup', '-s', other, '--port', nowhere, ...args, '--sys', folder)
    expect(code, said).toBe(2)
    expect(said).toContain(named)
    expect(said).not.toMatch(/\n\s+at /)
    expect(existsSync(other)).toBe(false)
  })

  it('says in plain words where it cannot write', () => {
    const { code, said } = motepost(
      'setup',
      '-s',
      '/proc/station.yaml',
      '--port',
      nowhere,
      '--layout',
      'frames-424d-32',
    )
    expect(code, said).toBe(1)
    expect(said).toContain('/proc/station.yaml')
    expect(said).not.toMatch(/\n\s+at /)
  })
})

describeWith(['socat', 'script'], 'setup beside a speaking sensor [rig]', () => {
  let pty: PtyPair
  let feeding: NodeJS.Timeout
  beforeEach(async () => {
    pty = await startPtyPair()
    let n = 0
    feeding = setInterval(() => pty.feed(frame(10 + (n++ % 7))), 300)
  })
  afterEach(async () => {
    clearInterval(feeding)
    await pty.end()
  })

  it('finds layout and port, writes a file that check accepts, and asks nothing without a terminal', async () => {
    const file = join(folder, 'heard', 'station.yaml')
    const args = ['setup', '-s', file, '--port', pty.sensor, '--name', 'gate', '--seconds', '2']
    const { code, said } = await ran([
      process.execPath,
      program,
      ...args,
      '--data',
      join(folder, 'd'),
      '--sys',
      madeSys(),
    ])
    expect(code, said).toBe(0)
    expect(said).toMatch(/port .*: frames-424d-32/)
    expect(said).toContain('fuse at the battery')
    const checked = await ran([process.execPath, program, 'check', '-s', file])
    expect(checked.said).toContain('settings  well')
    expect(checked.said).toMatch(/sensor +well/)
  }, 60_000)

  it('asks at a terminal only for name, broker and supply, and takes Enter for what it suggests', async () => {
    const file = join(folder, 'asked.yaml')
    const line = [
      process.execPath,
      program,
      'setup',
      '-s',
      file,
      '--port',
      pty.sensor,
      '--seconds',
      '2',
      '--sys',
      folder,
    ]
    // script(1) gives the command a terminal of its own.
    const asked = spawn('script', ['-qec', line.join(' '), '/dev/null'])
    let said = ''
    asked.stdout.on('data', (d: Buffer) => (said += d.toString()))
    const answer = async (question: RegExp, text: string): Promise<void> => {
      await waitFor(`the question ${question.source}`, () => question.test(said), 30)
      asked.stdin.write(`${text}\r`)
    }
    const exit = new Promise((resolve) => asked.once('exit', resolve))
    await answer(/Name of this station \[.+\]: /, 'south-gate')
    await answer(/Broker.*\[none\]: /, '')
    await answer(/battery or the sun.*: /, 'yes')
    expect(await exit, said).toBe(0)
    expect(said).toContain('fuse at the battery')
    expect(readSettings(readFileSync(file, 'utf8'), file)).toMatchObject({
      ok: true,
      settings: { station: { name: 'south-gate' }, instruments: [{ layout: 'frames-424d-32' }] },
    })
  }, 60_000)
})

/** Without blocking: the sensor goes on speaking meanwhile. */
function ran([command, ...args]: string[]): Promise<{ code: number | null; said: string }> {
  const child = spawn(command, args)
  let said = ''
  for (const stream of [child.stdout, child.stderr]) stream.on('data', (d: Buffer) => (said += d.toString()))
  return new Promise((resolve) => child.once('exit', (code) => resolve({ code, said })))
}
