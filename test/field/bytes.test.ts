/**
 * Field cases of what comes over the line: lost bytes, lengths that lie, noise, values that stand still, pieces of any size.
 */
import { afterEach, describe, expect, it } from 'vitest'
import { loadLayout } from '../../agent/cli/layouts.js'
import { FaultBoard, type FaultChange } from '../../agent/health/health.js'
import { createDecoder, type Decoder, type Layout } from '../../agent/instruments/instruments.js'
import { columnsOf } from '../../agent/minutes/minutes.js'
import { usualScreening } from '../../agent/screening/screening.js'
import { frameBytes, plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { InstrumentRunner } from '../../agent/station/instrument-runner.js'
import { done, good, monoSeconds, type ByteLine } from '../../agent/terms/terms.js'
import { FieldRig, frame } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'

const seed = 20_261_125
console.info(`field/bytes: seed ${seed}`)

function layout(): Layout {
  const read = loadLayout('frames-424d-32')
  if (!read.ok) throw new Error(read.fault.detail)
  return read.value
}

interface Heard {
  readonly decoder: Decoder
  /** All values of each reading, in order. */
  readonly readings: number[][]
  /** PM2.5 of each. */
  readonly pm2_5: number[]
}

function hear(pieces: Iterable<Uint8Array>): Heard {
  const readings: number[][] = []
  const decoder = createDecoder(layout(), { sink: (values) => void readings.push([...values]) })
  for (const piece of pieces) decoder.push(piece)
  const at = decoder.channels.findIndex((channel) => channel.key === 'pm2_5')
  return { decoder, readings, pm2_5: readings.map((values) => values[at]) }
}

/** Frames whose PM2.5 is their number, 1 and up: below 1000, as the range of the channel asks. */
const numbered = (count: number): Uint8Array[] => Array.from({ length: count }, (_, i) => frame(i + 1))
const without = (bytes: Uint8Array, at: number): Uint8Array =>
  Uint8Array.from([...bytes.subarray(0, at), ...bytes.subarray(at + 1)])

describe('bytes of a sensor [virtual]', () => {
  it('PC-06 a byte lost from every tenth frame costs that frame and no other', () => {
    const { next: random } = seededRandom(seed)
    const frames = numbered(1000)
    const damaged = frames.map((bytes, i) =>
      i % 10 === 9 ? without(bytes, Math.floor(random() * frameBytes)) : bytes,
    )
    // One good frame more, so that the last damaged one is not still waited for.
    const { pm2_5, decoder } = hear([...damaged, frame(7)])
    const whole = frames.map((_, i) => i + 1).filter((n) => n % 10 !== 0)
    expect(pm2_5).toEqual([...whole, 7])
    const counts = decoder.lineCounts()
    expect(counts.disturbances).toBe(100)
    expect(counts.bytesDiscarded).toBe(100 * (frameBytes - 1))
  })

  it.each([
    ['two bytes lost', (b: Uint8Array, at: number) => without(without(b, at), Math.min(at, frameBytes - 2))],
    [
      'a byte doubled',
      (b: Uint8Array, at: number) =>
        Uint8Array.from([...b.subarray(0, at), ...b.subarray(at === 0 ? 0 : at - 1)]),
    ],
    ['a bit turned', (b: Uint8Array, at: number) => b.map((byte, i) => (i === at ? byte ^ 0x10 : byte))],
    ['half a frame only', (b: Uint8Array) => b.subarray(0, 16)],
  ])('PC-06 %s in every tenth frame makes no wrong value and costs no whole frame', (_, damage) => {
    const { next: random } = seededRandom(seed + 1)
    const frames = numbered(500)
    const { pm2_5 } = hear([
      ...frames.map((bytes, i) => (i % 10 === 9 ? damage(bytes, Math.floor(random() * frameBytes)) : bytes)),
      frame(999),
    ])
    const whole = frames.map((_, i) => i + 1).filter((n) => n % 10 !== 0)
    expect(pm2_5.filter((n) => n % 10 !== 0)).toEqual([...whole, 999])
    // A doubled first byte leaves its frame whole: then its value is the right one.
    expect([...pm2_5].sort((a, b) => a - b)).toEqual(pm2_5)
    expect(new Set(pm2_5).size).toBe(pm2_5.length)
  })

  it.each(['FFFF', '0000', '001D', '7FFF', '0004'])(
    'PC-08 a length word of %s costs at most the frame after it',
    (word) => {
      const lie = Buffer.from(`424d${word}`, 'hex')
      const { pm2_5, decoder } = hear([lie, frame(11), frame(12), frame(13)])
      expect(pm2_5.slice(-2)).toEqual([12, 13])
      expect(decoder.counts().held).toBeLessThan(frameBytes)
    },
  )

  it('PC-08 a part of a frame before a silence is given up, and the next frame is whole', () => {
    const readings: number[] = []
    const decoder = createDecoder(layout(), { sink: (values) => void readings.push(values[1]) })
    decoder.push(frame(11).subarray(0, 20))
    decoder.dropPartial()
    decoder.push(frame(12))
    expect(readings).toEqual([12])
    expect(decoder.lineCounts().bytesDiscarded).toBe(20)
  })

  it('PC-13 500 frames give the same readings in pieces of any size', () => {
    const whole = Buffer.concat(numbered(500))
    const { readings } = hear([whole])
    expect(readings.length).toBe(500)
    expect(hear(inPieces(whole, () => 1)).readings).toEqual(readings)
    expect(hear(inPieces(whole, () => 3 * frameBytes)).readings).toEqual(readings)
    for (let offset = 1; offset <= frameBytes; offset++)
      expect(hear(inPieces(whole, (at) => (at === 0 ? offset : frameBytes))).readings).toEqual(readings)
    const { next: random } = seededRandom(seed + 2)
    expect(hear(inPieces(whole, () => 1 + Math.floor(random() * 100))).readings).toEqual(readings)
  })
})

function* inPieces(whole: Uint8Array, length: (at: number) => number): Generator<Uint8Array> {
  for (let at = 0; at < whole.length;) {
    const end = Math.min(whole.length, at + length(at))
    yield whole.subarray(at, end)
    at = end
  }
}

/** One instrument on a line that gives what it is told to, minute by minute. */
async function watched(): Promise<{
  minute(bytes: (second: number) => Uint8Array): MinuteOf
  changes: FaultChange[]
}> {
  const changes: FaultChange[] = []
  let next: Uint8Array = new Uint8Array(0)
  const line: ByteLine = {
    readAvailable: () => {
      const bytes = next
      next = new Uint8Array(0)
      return bytes.length > 0 ? bytes : 'nothing'
    },
    write: () => Promise.resolve(done),
    close: () => Promise.resolve(),
  }
  let now = 0
  const runner = new InstrumentRunner(
    {
      name: 'sensor 1',
      screening: { ...usualScreening, warmUpSeconds: 0 },
      frameBytes,
      silentAfterSeconds: 10,
      reopenAfterSeconds: 30,
      longestRetrySeconds: 5,
    },
    { name: 'made', open: () => Promise.resolve(good(line)) },
    (sink) => createDecoder(layout(), { sink }),
    new FaultBoard((change) => void changes.push(change)),
    () => undefined,
    monoSeconds(0),
    { tell: () => undefined, temperatureC: () => 15 },
  )
  runner.pull(monoSeconds(0))
  await Promise.resolve()
  const cells = columnsOf(runner.channels)
  return {
    changes,
    minute: (bytes) => {
      for (let second = 1; second <= 60; second++) {
        next = bytes(second)
        runner.pull(monoSeconds(++now))
      }
      const values = new Float64Array(cells.length)
      const result = runner.closeMinute(monoSeconds(now), 60, values, 0)
      const at = cells.findIndex((cell) => cell.channel === 'pm2_5' && cell.statistic === 'mean')
      const all = cells.findIndex((cell) => cell.channel === 'pm2_5' && cell.statistic === 'all')
      return { ...result, mean: values[at], all: values[all] }
    },
  }
}
interface MinuteOf {
  readonly used: number
  readonly mean: number
  readonly all: number
  readonly excluded: Readonly<Record<string, number>>
}

describe('a sensor whose values stand still [virtual]', () => {
  it('PC-12 the same frame for an hour is told once as stuck, kept but not counted, and over when the air moves', async () => {
    const { minute, changes } = await watched()
    const air = (second: number): Uint8Array => frame(10 + (second % 5))
    for (let n = 0; n < 6; n++) minute(air)
    const hour = Array.from({ length: 60 }, () => minute(() => frame(12)))
    expect(hour[25].used).toBeGreaterThan(59)
    expect(hour.slice(31).every(({ used, excluded }) => used === 0 && excluded.stuck >= 59)).toBe(true)
    // Nothing is deleted: the mean of all readings is still there, the one that counts is not.
    expect(hour[59].all).toBe(12)
    expect(hour[59].mean).toBeNaN()
    const told = (stands: boolean): number =>
      changes.filter((c) => c.fault.code === 'sensor-stuck' && c.stands === stands).length
    expect([told(true), told(false)]).toEqual([1, 0])
    minute(air)
    expect(minute(air).used).toBeGreaterThan(59)
    expect([told(true), told(false)]).toEqual([1, 1])
  })

  it('PC-12 counts of zero are told as fan or inlet after ten minutes, never as clean air', async () => {
    const { minute, changes } = await watched()
    const nothing = new Uint8Array(frameBytes)
    writeFrame(nothing, 0, { ...plausibleFrame(0, 0), counts: [0, 0, 0, 0, 0, 0] })
    for (let n = 0; n < 6; n++) minute((second) => frame(10 + (second % 5)))
    const minutes = Array.from({ length: 15 }, () => minute(() => nothing))
    expect(minutes[14]).toMatchObject({ used: 0, mean: NaN })
    expect(minutes[14].excluded['fan-or-inlet']).toBeGreaterThan(59)
    expect(changes.map(({ fault }) => fault.code)).toEqual(['sensor-no-particles'])
  })

  it('PC-12 a full scale counts as at least the cap, and is not missing', async () => {
    const { minute } = await watched()
    for (let n = 0; n < 6; n++) minute((second) => frame(10 + (second % 5)))
    const high = minute((second) => frame(990 + (second % 5)))
    expect(high.used).toBeGreaterThan(57)
    expect(high.mean).toBeGreaterThan(490)
    expect(high.mean).toBeLessThanOrEqual(500)
  })
})

describe('a sensor that reports an error of its own [virtual]', () => {
  it('PC-12 is told once while most of a minute is error frames, and not for a single one', async () => {
    const { minute, changes } = await watched()
    const failing = frame(10)
    // Byte 29 is the sensor's error byte; the sum of the frame follows it.
    failing[29] = 4
    new DataView(failing.buffer).setUint16(
      30,
      failing.subarray(0, 30).reduce((sum, byte) => sum + byte, 0),
    )
    const air = (second: number): Uint8Array => frame(10 + (second % 5))
    for (let n = 0; n < 6; n++) minute(air)
    minute((second) => (second === 30 ? failing : air(second)))
    expect(changes).toEqual([])
    for (let n = 0; n < 5; n++) expect(minute(() => failing).excluded['sensor-error']).toBeGreaterThan(57)
    minute(air)
    minute(air)
    expect(changes.map(({ fault, stands }) => `${fault.code} ${stands}`)).toEqual([
      'sensor-error true',
      'sensor-error false',
    ])
  })
})

describeWith(['socat', 'mosquitto'], 'noise on the line [rig]', () => {
  let rig: FieldRig
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it('PC-09 floods of noise, console text and zeros are told apart from silence, and the first frame after them counts', async () => {
    rig = await FieldRig.make({ broker: true, instrument: 'silent_after_s: 2, reopen_after_s: 60' })
    rig.start()
    await rig.untilHealth('silent', () => rig.hasFault('sensor-silent'))
    const { next: random } = seededRandom(seed + 3)
    const noise = Uint8Array.from({ length: 65_536 }, () => Math.floor(random() * 256))
    const kernel = Buffer.from(
      '[    1.234567] usb 1-1: new full-speed device\r\nfence login: \r\n'.repeat(100),
    )
    const [cpuBefore, before] = [rig.cpuSeconds(), performance.now()]
    for (const flood of [noise, kernel, new Uint8Array(16_384), new Uint8Array(16_384).fill(0xff)])
      await rig.feedAll(flood)
    const cpuShare = (rig.cpuSeconds() - cpuBefore) / ((performance.now() - before) / 1000)
    await rig.untilHealth('garbage', () => rig.hasFault('sensor-garbage') && !rig.hasFault('sensor-silent'))
    expect(cpuShare).toBeLessThan(0.2)
    expect(rig.measured()).toEqual([])
    await rig.feedAll(frame(42))
    await rig.untilMeasured('from the first frame')
    expect(rig.measured()[0].values['pm2_5:mean']).toBe(42)
    await rig.untilHealth('over', () => !rig.hasFault('sensor-garbage'))
  }, 60_000)
})
