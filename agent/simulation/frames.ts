/** What a 32-byte frame says; masses in µg/m³, counts per 0.1 L. */
export interface FrameContent {
  readonly standardParticle: readonly [pm1: number, pm2_5: number, pm10: number]
  readonly atmospheric: readonly [pm1: number, pm2_5: number, pm10: number]
  readonly counts: readonly [n0_3: number, n0_5: number, n1: number, n2_5: number, n5: number, n10: number]
}

export const frameBytes = 32

/** Writes one 0x42 0x4D frame of 32 bytes at `offset`: words big-endian, sum of the first 30 bytes last. */
export function writeFrame(into: Uint8Array, offset: number, content: FrameContent): void {
  const view = new DataView(into.buffer, into.byteOffset + offset, frameBytes)
  view.setUint16(0, 0x424d)
  view.setUint16(2, frameBytes - 4)
  const words = [...content.standardParticle, ...content.atmospheric, ...content.counts]
  words.forEach((word, i) => view.setUint16(4 + 2 * i, Math.max(0, Math.min(65_535, Math.round(word)))))
  view.setUint16(28, 0x9700)
  let sum = 0
  for (let i = 0; i < frameBytes - 2; i++) sum += view.getUint8(i)
  view.setUint16(30, sum)
}

/** A frame from one mass: the other figures follow it in the proportions of fine background or of coarse dust. */
export function plausibleFrame(pm2_5: number, coarse: number): FrameContent {
  const pm1 = pm2_5 * 0.68
  const pm10 = pm2_5 * 1.12 + coarse
  const high = (mass: number): number => (mass <= 30 ? mass : 30 + (mass - 30) * 1.45)
  return {
    standardParticle: [high(pm1), high(pm2_5), high(pm10)],
    atmospheric: [pm1, pm2_5, pm10],
    counts: [
      pm2_5 * 165 + 60,
      pm2_5 * 48 + 15,
      pm2_5 * 8.2 + coarse * 0.6,
      pm2_5 * 0.6 + coarse * 0.25,
      coarse * 0.09,
      coarse * 0.03,
    ],
  }
}

/** What a made sensor says of one moment, whatever its layout. */
export interface SensorSight {
  readonly pm1: number
  readonly pm2_5: number
  readonly pm10: number
  /** In the sensor's box, °C and %RH; only some layouts carry them. */
  readonly temperature: number
  readonly humidityPercent: number
}

/** Writes one reading at `offset` and says how many bytes it took. */
export interface Encoder {
  /** Name of the layout in config/instruments that reads these bytes. */
  readonly layout: string
  readonly mostBytes: number
  /** Whether a wrong byte shows: a frame has a sum, a line of text has none and would be believed. */
  readonly hasChecksum: boolean
  write(into: Uint8Array, offset: number, sight: SensorSight): number
}

export const framesOf32: Encoder = {
  layout: 'frames-424d-32',
  mostBytes: frameBytes,
  hasChecksum: true,
  write(into, offset, { pm1, pm2_5, pm10 }) {
    const plausible = plausibleFrame(pm2_5, Math.max(0, pm10 - 1.12 * pm2_5))
    writeFrame(into, offset, { ...plausible, atmospheric: [pm1, pm2_5, pm10] })
    return frameBytes
  },
}

/** AA C0, two masses in tenths, low byte first, a device number, 8-bit sum, AB. */
export const framesOf10: Encoder = {
  layout: 'frames-aac0-10',
  mostBytes: 10,
  hasChecksum: true,
  write(into, offset, { pm2_5, pm10 }) {
    const fine = tenths(pm2_5)
    const all = tenths(pm10)
    const data = [fine & 255, fine >> 8, all & 255, all >> 8, 0x4d, 0x07]
    const sum = data.reduce((total, byte) => total + byte, 0) & 255
    into.set([0xaa, 0xc0, ...data, sum, 0xab], offset)
    return 10
  },
}

const tenths = (mass: number): number => Math.max(0, Math.min(65_535, Math.round(mass * 10)))

/** Text lines as config/instruments/text-lines-example.yaml describes them: mg/m³, °F. */
export const textLines: Encoder = {
  layout: 'text-lines-example',
  mostBytes: 128,
  hasChecksum: false,
  write(into, offset, { pm2_5, pm10, temperature, humidityPercent }) {
    const milligrams = (mass: number): string => (mass / 1000).toFixed(4)
    const text =
      `PM2.5=${milligrams(pm2_5)} mg/m3, PM10=${milligrams(pm10)} mg/m3, ` +
      `T=${(temperature * 1.8 + 32).toFixed(1)} F, RH=${humidityPercent.toFixed(1)} %, status 0\r\n`
    for (let i = 0; i < text.length; i++) into[offset + i] = text.charCodeAt(i)
    return text.length
  },
}
