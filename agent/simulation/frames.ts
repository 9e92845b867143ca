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
