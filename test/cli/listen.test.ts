import { existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, it, vi } from 'vitest'
import { viewBoard } from '../../agent/cli/listen-board.js'
import { checkSettingsText } from '../../agent/cli/read-settings.js'
import { readRecording } from '../../agent/instruments/instruments.js'
import { goodFrames, joined, layoutNamed, layouts, seededBytes } from '../instruments/layouts.js'
import { EagerClock, factsOf, portOf, told } from './listen-rig.js'

const recordings = join(import.meta.dirname, '../recordings')
const recordingNames = readdirSync(recordings).filter((name) =>
  existsSync(join(recordings, name, 'recording.hex')),
)
const recordingFile = (name: string): string => join(recordings, name, 'recording.hex')
const scratch = (): string => mkdtempSync(join(tmpdir(), 'motepost-listen-'))
const ascii = (text: string): Uint8Array => new TextEncoder().encode(text)
const framesOf = (name: string): Uint8Array => joined(...goodFrames(layoutNamed(name)))
const noise = (length: number): Uint8Array => seededBytes(11, length)
console.info('noise from seed 11')

/** What refusals say goes to stderr. */
function stderrOf(): () => string {
  const spy = vi.spyOn(process.stderr, 'write').mockReturnValue(true)
  return () => spy.mock.calls.map(([text]) => String(text)).join('')
}
afterEach(() => vi.restoreAllMocks())

/** The settings of config/minimal.yaml with the printed lines in place of its own instruments. */
function settingsWith(lines: string): ReturnType<typeof checkSettingsText> {
  const rest = 'version: 1\nstation:\n  name: north-fence\ndata:\n  folder: /var/lib/motepost\n'
  return checkSettingsText(`${rest}${lines}\n`, 'test.yaml')
}

describe('a recording is listened to like a line', () => {
  it.each(recordingNames)('%s: its layout is named, with lines that the settings take', async (name) => {
    const facts = await factsOf(`file:${recordingFile(name)}`)
    const read = readRecording(readFileSync(recordingFile(name), 'utf8'))
    expect(read.ok && read.recording.header.layout).toBe(facts.layouts[0].name)
    expect(facts).toMatchObject({ code: 0, recognised: true, heard: 'frames' })
    const settings = settingsWith(facts.settings!)
    expect(settings).toMatchObject({ ok: true })
    expect(settings.ok && settings.settings.instruments[0]).toMatchObject({
      layout: facts.layouts[0].name,
      port: `file:${recordingFile(name)}`,
    })
  })

  it('shows the newest reading as the recording expects it, in words', async () => {
    const { code, text } = await told(`file:${recordingFile('frames-424d-40-clean')}`)
    expect(code).toBe(0)
    expect(text).toContain('speaks frames-424d-40:\n')
    expect(text).toContain('Certain: 5 whole frames with their checksums right, 100 % of 200 bytes.\n')
    // The last row of expected.csv: 13,… -13.5,45.9,0
    const last = readFileSync(join(recordings, 'frames-424d-40-clean/expected.csv'), 'utf8')
      .trim()
      .split('\n')
      .pop()!
    const [pm1, , pm10] = last.split(',')
    expect(text).toMatch(new RegExp(`pm1 +${pm1} ug/m3 +atmospheric\\n`))
    expect(text).toMatch(new RegExp(`pm10 +${pm10} ug/m3 +atmospheric, inferred\\n`))
    expect(text).toMatch(new RegExp(`temperature +${last.split(',')[9]} C\\n`))
  })

  it('is quoted in the settings lines where its name needs it', async () => {
    const folder = join(scratch(), "a folder: with 'odd' #name")
    mkdirSync(folder)
    const file = join(folder, 'r.hex')
    writeFileSync(file, readFileSync(recordingFile('frames-424d-32-clean')))
    const settings = settingsWith((await factsOf(`file:${file}`)).settings!)
    expect(settings.ok && settings.settings.instruments[0].port).toBe(`file:${file}`)
  })

  it('finds frames after 64 kB of noise, console text and floods of 00 and FF, and is not sure (PC-09)', async () => {
    const file = join(scratch(), 'flood.bin')
    const flood = [
      noise(65_536),
      ascii('[    0.000000] Booting\r\n'),
      new Uint8Array(4096),
      new Uint8Array(4096).fill(255),
    ]
    writeFileSync(file, joined(...flood, framesOf('frames-424d-32')))
    const facts = await factsOf(`file:${file}`)
    expect(facts).toMatchObject({
      code: 0,
      layouts: [{ name: 'frames-424d-32', sure: 'possible', frames: 5 }],
    })
    expect(facts.notes.join()).toContain('console')
  })

  it('that is empty or missing says so', async () => {
    const file = join(scratch(), 'empty.hex')
    writeFileSync(file, '')
    expect(await told(`file:${file}`)).toMatchObject({
      code: 1,
      text: expect.stringContaining('recording is empty'),
    })
    const missing = await told(`file:${file}x`)
    expect(missing).toMatchObject({ code: 1, text: expect.stringContaining('recording cannot be read') })
  })
})

describe('at a serial port', () => {
  it('finds the speed: noise at the first, frames at the second', async () => {
    const { speeds, world } = portOf((baud) =>
      baud === 9600 ? noise(300) : baud === 115_200 ? framesOf('stuffed-7e-floats') : undefined,
    )
    const facts = await factsOf('/dev/made', {}, world)
    expect(facts).toMatchObject({
      code: 0,
      baud: 115_200,
      layouts: [{ name: 'stuffed-7e-floats', sure: 'certain' }],
    })
    expect(facts.settings).not.toContain('baud')
    expect(speeds[0]).toBe(9600)
  })

  it('tries further speeds where bytes came, and the settings lines then name the speed', async () => {
    const { world } = portOf((baud) => (baud === 38_400 ? framesOf('frames-aac0-10') : noise(300)))
    const facts = await factsOf('/dev/made', {}, world)
    expect(facts).toMatchObject({ code: 0, baud: 38_400, layouts: [{ name: 'frames-aac0-10' }] })
    const settings = settingsWith(facts.settings!)
    expect(settings.ok && settings.settings.instruments[0].baud).toBe(38_400)
  })

  it('is told of silence within seconds a speed, with the causes in the order of likelihood', async () => {
    const { clock, speeds, world } = portOf(() => undefined)
    const { code, text } = await told('/dev/made', {}, world)
    expect(code).toBe(1)
    expect(text).toMatch(/not one byte came/)
    expect(text).toMatch(
      /1\. No supply.*2\. Data lines swapped.*3\. Sensor asleep.*4\. A login console.*5\. Wrong port/s,
    )
    // Twice four seconds a speed: quiet, and after commands.
    expect(clock.mono() - 1000).toBeLessThan(8.5 * speeds.length)
    expect(new Set(speeds)).toEqual(new Set([...layouts.values()].map(({ baud }) => baud)))
  })

  it('puts the login console first where the kernel names it, and then sends nothing', async () => {
    const { world } = portOf(() => undefined)
    const others = ['/dev/serial/by-id/other']
    const board = { device: '/dev/ttyS9', isConsole: true, others }
    const facts = await factsOf('/dev/ttyS9', {}, { ...world, viewBoard: () => board })
    expect(facts.causes[0]).toMatch(/^A login console.*serial-getty@ttyS9\.service/)
    expect(facts.causes[4]).toContain('/dev/serial/by-id/other')
    expect(facts.tried.flatMap(({ commands }) => commands)).toEqual([])
  })

  it.each([
    ['noise', () => noise(300), /^Wrong speed: tried 9600, /],
    ['noise', () => new Uint8Array(300), /^A line that is held/],
    ['console', () => ascii('\r\nstation login: '), /^A login console/],
    ['text', () => ascii('T=21.5 H=40\r\nT=21.6 H=41\r\n'), /^An instrument that prints text/],
    [
      'damaged',
      () => framesOf('frames-424d-32').map((byte, i) => (i % 32 === 7 ? byte ^ 4 : byte)),
      /^A bad line/,
    ],
    ['answers', () => Uint8Array.from([0x42, 0x4d, 0, 4, 0xe1, 1, 1, 0x75]), /^The sensor is still starting/],
  ] as const)('that gives %s is told its own first cause', async (heard, bytes, first) => {
    const { world } = portOf(bytes)
    const facts = await factsOf('/dev/made', {}, world)
    expect(facts).toMatchObject({ code: 1, recognised: false, heard })
    expect(facts.causes[0]).toMatch(first)
    expect((await told('/dev/made', {}, portOf(bytes).world)).text).toContain(
      'Causes, the most likely first:\n  1. ',
    )
  })

  it('is named in the settings lines by the name that stays', async () => {
    const { world } = portOf(() => framesOf('frames-424d-32'))
    const stableName = '/dev/serial/by-id/usb-adapter-if00-port0'
    const board = { device: '/dev/ttyUSB0', isConsole: false, others: [], stableName }
    const facts = await factsOf('/dev/ttyUSB0', {}, { ...world, viewBoard: () => board })
    expect(facts.settings).toContain(`port: ${stableName}`)
  })

  it('is judged by one layout only where one is named', async () => {
    const { speeds, world } = portOf(() => framesOf('frames-424d-32'))
    expect(await factsOf('/dev/made', { layout: 'frames-aac0-10', baud: 9600 }, world)).toMatchObject({
      code: 1,
    })
    expect(speeds).toEqual([9600])
  })

  it('is told apart as missing, a file, a folder (PC-79)', async () => {
    const folder = scratch()
    writeFileSync(join(folder, 'file'), 'x')
    const faults: Record<string, string> = {
      nothing: 'port-missing',
      file: 'port-not-serial',
      '.': 'port-not-serial',
    }
    const texts = new Set<string>()
    for (const [name, fault] of Object.entries(faults)) {
      const facts = await factsOf(join(folder, name))
      expect(facts).toMatchObject({ code: 1, heard: 'not-opened', fault: { code: fault } })
      texts.add(facts.fault!.words.replace(folder, ''))
    }
    expect(texts.size).toBe(3)
  })

  it('shows what the board says of itself and never fails', () => {
    expect(viewBoard('/dev/null')).toMatchObject({ device: '/dev/null', isConsole: false })
    expect(viewBoard('/nowhere/at/all').device).toBe('/nowhere/at/all')
  })
})

describe('a recording kept of what was heard', () => {
  it.each([...layouts.keys()])('of %s is read back to the byte and recognised again', async (name) => {
    const bytes = framesOf(name)
    const record = join(scratch(), 'kept')
    const { world } = portOf(() => bytes)
    const facts = await factsOf('/dev/made', { record, baud: 9600 }, world)
    expect(facts.recording).toBe(`${record}.hex`)
    const read = readRecording(readFileSync(facts.recording!, 'utf8'))
    if (!read.ok) throw new Error(read.words)
    expect(read.recording.header).toMatchObject({
      layout: name,
      line: '9600 8N1',
      start: '2026-03-01T00:00:00Z',
    })
    expect(joined(...read.recording.chunks.map((chunk) => chunk.bytes))).toEqual(bytes)
    const again = await factsOf(`file:${facts.recording}`)
    expect(again).toMatchObject({ code: 0, layouts: [{ name, sure: 'certain' }], reading: facts.reading })
  })

  it('runs for the whole time, and keeps what nobody can read as well', async () => {
    const record = join(scratch(), 'noise.hex')
    const { clock, world } = portOf(() => noise(200))
    const facts = await factsOf('/dev/made', { record, baud: 9600, seconds: 30 }, world)
    expect(clock.mono() - 1000).toBeGreaterThanOrEqual(30)
    expect(facts).toMatchObject({ code: 1, recording: record })
    const read = readRecording(readFileSync(record, 'utf8'))
    expect(read).toMatchObject({ ok: true, recording: { header: { layout: 'unknown' } } })
  })

  it('is not written where nothing came, and says so', async () => {
    const record = join(scratch(), 'nothing.hex')
    const { text } = await told('/dev/made', { record }, portOf(() => undefined).world)
    expect(text).toContain('No recording was written: nothing came.')
    expect(existsSync(record)).toBe(false)
  })

  it('never replaces a file and needs a folder', async () => {
    const said = stderrOf()
    const record = join(scratch(), 'there.hex')
    writeFileSync(record, 'mine')
    expect((await told('/dev/made', { record })).code).toBe(2)
    expect((await told('/dev/made', { record: '/nowhere/at/all' })).code).toBe(2)
    expect(said()).toMatch(/is there already.*no folder/s)
    expect(readFileSync(record, 'utf8')).toBe('mine')
  })
})

describe('wrong use', () => {
  it.each([
    ['ttyUSB0', {}, /such as \/dev\/ttyUSB0/],
    ['tcp://192.0.2.1', {}, /tcp:\/\/host:port/],
    ['tcp://192.0.2.1:99999', {}, /tcp:\/\/host:port/],
    ['tcp://192.0.2.1:4001', { baud: 9600 }, /--baud is for devices/],
    ['file:a.hex', { seconds: 3 }, /--seconds/],
    ['/dev/made', { baud: 96 }, /--baud must be/],
    ['/dev/made', { baud: NaN }, /--baud must be/],
    ['/dev/made', { seconds: 0 }, /--seconds must be/],
    ['/dev/made', { layout: 'no-such-layout' }, /layout/],
  ])('%s %j is refused before any port is opened', async (port, options, words) => {
    const said = stderrOf()
    const lineAt = (): never => {
      throw new Error('opened')
    }
    expect(await told(port, options, { lineAt, clock: new EagerClock() })).toEqual({ code: 2, text: '' })
    expect(said()).toMatch(words)
  })
})
