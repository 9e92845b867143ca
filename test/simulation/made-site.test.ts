import { describe, expect, it } from 'vitest'
import { framesOf10, framesOf32, textLines, type SensorSight } from '../../agent/simulation/frames.js'
import { MadeBattery } from '../../agent/simulation/made-battery.js'
import { plumeShare, trafficAt } from '../../agent/simulation/made-quarry.js'
import { bytesAt, MadeSensor } from '../../agent/simulation/made-sensor.js'
import { madeStations } from '../../agent/simulation/made-site.js'
import { weatherAt, type Weather } from '../../agent/simulation/made-weather.js'
import { hashNormal, hashUniform, wander } from '../../agent/simulation/noise.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { at, slateHollow, story } from '../../agent/simulation/slate-hollow.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { monoSeconds, utcMillis } from '../../agent/terms/terms.js'

const seed = 20260302
const plan = slateHollow(seed)
console.info(`seed ${seed}`)

describe('chance as a function', () => {
  it('is uniform, and its noise has mean 0 and spread 1 within what 20,000 draws allow', () => {
    const count = 20_000
    const uniform = Array.from({ length: count }, (_, n) => hashUniform(seed, n))
    const normal = Array.from({ length: count }, (_, n) => hashNormal(seed, n))
    const mean = (values: number[]): number => values.reduce((sum, v) => sum + v, 0) / values.length
    expect(Math.min(...uniform)).toBeGreaterThanOrEqual(0)
    expect(Math.max(...uniform)).toBeLessThan(1)
    // Four standard errors: 4 / sqrt(12 n) and 4 / sqrt(n).
    expect(Math.abs(mean(uniform) - 0.5)).toBeLessThan(4 / Math.sqrt(12 * count))
    expect(Math.abs(mean(normal))).toBeLessThan(4 / Math.sqrt(count))
    expect(mean(normal.map((v) => v * v))).toBeCloseTo(1, 1)
  })

  it('wanders without jumps', () => {
    for (let t = -500; t < 500; t++) {
      expect(Math.abs(wander(seed, t, 100))).toBeLessThanOrEqual(1)
      // From -1 to 1 in 100 s the smooth step is steepest in the middle: 2 x 1.5 / 100 a second.
      expect(Math.abs(wander(seed, t + 1, 100) - wander(seed, t, 100))).toBeLessThanOrEqual(0.0301)
    }
  })
})

describe('a made site', () => {
  it('has one past: asked backwards or twice it says the same', () => {
    const times = Array.from({ length: 300 }, (_, i) => at(0, '08:00') + i * 97)
    const ask = (order: number[]): unknown[] => {
      const stations = madeStations(slateHollow(seed))
      return order.map((t) =>
        stations.map(({ sensor, weather, battery }) => [
          Buffer.from(bytesAt(sensor, t)).toString('hex'),
          weather(t),
          battery.at(t),
        ]),
      )
    }
    expect(ask([...times].reverse()).reverse()).toEqual(ask(times))
  })

  it('has another past with another seed, and the same story', () => {
    const [one] = madeStations(slateHollow(1))
    const [two] = madeStations(slateHollow(2))
    expect(bytesAt(one.sensor, 1000)).not.toEqual(bytesAt(two.sensor, 1000))
    expect(slateHollow(1).quarry.dryRoad).toEqual(slateHollow(2).quarry.dryRoad)
  })

  it('draws days that nobody told, for as many months as are asked for, all of them possible', () => {
    const random = seededRandom(seed)
    for (let n = 0; n < 3000; n++) {
      const weather = weatherAt(plan.quarry.weather, random.next() * 200 * 86_400)
      expect(weather.windFromDegrees).toBeGreaterThanOrEqual(0)
      expect(weather.windFromDegrees).toBeLessThan(360)
      expect(weather.windMetresPerSecond).toBeGreaterThan(0)
      expect(weather.windMetresPerSecond).toBeLessThan(15)
      expect(weather.humidityPercent).toBeLessThan(100)
      expect(weather.sunShare).toBeGreaterThanOrEqual(0)
      expect(weather.sunShare).toBeLessThanOrEqual(1)
    }
  })

  it('turns from one day to the next without a jump', () => {
    for (const seconds of [at(0, '00:00'), at(1, '00:00'), at(5, '00:00'), at(6, '00:00')]) {
      const before = weatherAt(plan.quarry.weather, seconds - 0.5)
      const after = weatherAt(plan.quarry.weather, seconds + 0.5)
      expect(after.temperature).toBeCloseTo(before.temperature, 0)
      expect(after.windMetresPerSecond).toBeCloseTo(before.windMetresPerSecond, 0)
    }
  })

  it('has fog above 95 % outside through the whole fog of the story, and not at noon', () => {
    const humidity = (t: number): number => weatherAt(plan.quarry.weather, t).humidityPercent
    for (let t = story.fog.from; t <= story.fog.to; t += 60) expect(humidity(t)).toBeGreaterThanOrEqual(95)
    expect(humidity(at(1, '12:00'))).toBeLessThan(70)
  })

  it('carries dust only downwind, less of it farther away', () => {
    const wind = (windFromDegrees: number): Weather => ({
      windFromDegrees,
      windMetresPerSecond: 4,
      temperature: 10,
      humidityPercent: 50,
      sunShare: 1,
    })
    const place = (bearingDegrees: number, distanceMetres: number) => ({
      bearingDegrees,
      distanceMetres,
      damper: 0,
      stirred: [],
    })
    expect(plumeShare(place(70, 200), wind(250))).toBeCloseTo(1, 9)
    expect(plumeShare(place(350, 200), wind(170))).toBeCloseTo(1, 9)
    expect(plumeShare(place(70, 200), wind(70))).toBeLessThan(1e-6)
    expect(plumeShare(place(70, 400), wind(250))).toBeLessThan(0.6)
  })

  it('has lorries in working hours only', () => {
    for (let t = at(0, '00:00'); t < at(0, '07:00'); t += 30) expect(trafficAt(plan.quarry, t)).toBe(0)
    let sum = 0
    for (let t = at(0, '09:00'); t < at(0, '11:00'); t += 10) sum += trafficAt(plan.quarry, t) / 720
    expect(sum).toBeGreaterThan(0.4)
    expect(sum).toBeLessThan(1.2)
    expect(trafficAt({ ...plan.quarry, restDays: [0] }, at(0, '10:00'))).toBe(0)
  })
})

describe('a made battery', () => {
  const made = { fromSeconds: 0, startPercent: 50, capacityWattHours: 100, openSkyShare: 1, loadWatts: 4 }

  it('loses in the dark what the load takes', () => {
    const battery = new MadeBattery({ ...made, panelWatts: 40 }, () => 0)
    // 50 Wh less 5 h at 4 W: 30 Wh of 100.
    expect(battery.at(5 * 3600).stateOfChargePercent).toBeCloseTo(30, 6)
    expect(battery.at(5 * 3600).batteryAmperes).toBeLessThan(0)
    expect(battery.at(20 * 3600).stateOfChargePercent).toBe(0)
  })

  it('gains what the sun leaves after the load, and is never more than full', () => {
    const battery = new MadeBattery({ ...made, panelWatts: 20 }, () => 0.5)
    // 20 W x 0.5 x 0.85 - 4 W = 4.5 W; 2 h are 9 Wh.
    expect(battery.at(2 * 3600).stateOfChargePercent).toBeCloseTo(59, 6)
    expect(battery.at(48 * 3600).stateOfChargePercent).toBe(100)
    expect(battery.at(48 * 3600).batteryAmperes).toBe(0)
  })

  it('loses less while a part of the load is asleep', () => {
    const asleep = { watts: 2, runs: (at: number) => at < 3600 || at >= 3 * 3600 }
    const battery = new MadeBattery({ ...made, panelWatts: 40 }, () => 0, [asleep])
    // 4 W all the time, 2 W more in hours 1, 4 and 5: 50 - 20 - 6.
    expect(battery.at(5 * 3600).stateOfChargePercent).toBeCloseTo(24, 6)
    expect(battery.at(2 * 3600).batteryAmperes).toBeGreaterThan(battery.at(1800).batteryAmperes)
  })

  it('falls through the cloudy day of the story and recovers on the next', () => {
    for (const { battery } of madeStations(plan)) {
      const charge = (t: number): number => battery.at(t).stateOfChargePercent
      expect(charge(at(1, '06:00'))).toBeLessThan(charge(at(0, '06:00')) - 20)
      expect(charge(at(1, '17:00'))).toBeGreaterThan(charge(at(1, '06:00')) + 30)
      expect(charge(at(1, '06:00'))).toBeGreaterThan(10)
    }
  })
})

describe('the bytes of a made sensor', () => {
  const sight: SensorSight = { pm1: 7.4, pm2_5: 12.3, pm10: 45.6, temperature: 20, humidityPercent: 61.5 }
  const write = (encoder: typeof framesOf32): Uint8Array => {
    const bytes = new Uint8Array(encoder.mostBytes)
    return bytes.subarray(0, encoder.write(bytes, 0, sight))
  }

  it('are frames of 32, of 10, or a line of text, as their layouts say', () => {
    const long = Buffer.from(write(framesOf32))
    expect(long.readUInt16BE(0)).toBe(0x424d)
    expect([10, 12, 14].map((offset) => long.readUInt16BE(offset))).toEqual([7, 12, 46])
    expect(long.readUInt16BE(30)).toBe(long.subarray(0, 30).reduce((sum, byte) => sum + byte, 0))
    const short = Buffer.from(write(framesOf10))
    expect([short.readUInt16LE(2), short.readUInt16LE(4)]).toEqual([123, 456])
    expect(short[8]).toBe(short.subarray(2, 8).reduce((sum, byte) => sum + byte, 0) & 255)
    expect(Buffer.from(write(textLines)).toString()).toBe(
      'PM2.5=0.0123 mg/m3, PM10=0.0456 mg/m3, T=68.0 F, RH=61.5 %, status 0\r\n',
    )
  })

  it('come out of the line as they were made, one reading a second, none twice', async () => {
    for (const made of madeStations(plan)) {
      const clock = new VirtualClock({ bootId: 'made', mono: 100, utc: utcMillis(0) })
      const zero = 100 - at(0, '12:30')
      const line = await new MadeSensor(clock, (mono) => mono - zero, made.sensor).open()
      if (!line.ok) throw new Error(line.fault.detail)
      const heard: Buffer[] = []
      const expected: Uint8Array[] = []
      for (let t = 0; t < 300; t += 1 + (t % 7)) {
        clock.set(monoSeconds(100 + t))
        const bytes = line.value.readAvailable()
        if (typeof bytes !== 'string') heard.push(Buffer.from(bytes))
      }
      for (let t = at(0, '12:30') + 1; t <= clock.mono() - zero; t++) expected.push(bytesAt(made.sensor, t))
      expect(Buffer.concat(heard)).toEqual(Buffer.concat(expected))
    }
  })

  it('are gone while the adapter is unplugged', async () => {
    const sensor = { ...madeStations(plan)[0].sensor, unplugged: [{ from: 10, to: 20 }] }
    const clock = new VirtualClock({ bootId: 'made', mono: 5, utc: utcMillis(0) })
    const factory = new MadeSensor(clock, (mono) => mono, sensor)
    const line = await factory.open()
    clock.set(monoSeconds(12))
    expect(line.ok && line.value.readAvailable()).toBe('gone')
    expect((await factory.open()).ok).toBe(false)
    clock.set(monoSeconds(20))
    expect((await factory.open()).ok).toBe(true)
  })
})
