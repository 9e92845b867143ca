import type { Random } from '../terms/terms.js'
import { done, good, type ByteLine, type Clock, type LineFactory, type Outcome } from '../terms/terms.js'
import { frameBytes, plausibleFrame, writeFrame } from './frames.js'

/** One passage of dust: rises in a minute or two, dies away over some more. */
export interface DustEpisode {
  /** Seconds of monotonic time. */
  readonly from: number
  readonly seconds: number
  /** Coarse mass at its height, µg/m³. */
  readonly coarse: number
}

export interface MadeAir {
  readonly backgroundPm2_5: number
  readonly episodes: readonly DustEpisode[]
}

/** Invented air: a slowly wandering background, and episodes of coarse dust on top. */
export function madeAir(air: MadeAir, random: Random & { normal(): number }) {
  let wander = 0
  return (mono: number): { pm2_5: number; coarse: number } => {
    wander = wander * 0.995 + random.normal() * 0.12
    let coarse = 1.5
    for (const { from, seconds, coarse: height } of air.episodes) {
      const share = (mono - from) / seconds
      if (share > 0 && share < 1) coarse += height * Math.sin(Math.PI * Math.sqrt(share)) ** 2
    }
    const noise = 1 + random.normal() * 0.05
    const pm2_5 = Math.max(0.5, air.backgroundPm2_5 + wander + coarse * 0.12) * noise
    return { pm2_5, coarse: Math.max(0, coarse * (1 + random.normal() * 0.12)) }
  }
}

export interface MadeFaults {
  /** Share of frames in which one byte is spoilt. */
  readonly spoiltShare: number
  /** The adapter is pulled out at this time and comes back after so many seconds. */
  readonly unplugged?: { readonly at: number; readonly seconds: number }
}

const mostFramesAtOnce = 120

/** An invented sensor: one 32-byte frame a second of virtual time, with the faults it is told to have. */
export class MadeSensor implements LineFactory {
  readonly name = 'made sensor'
  framesMade = 0
  framesSpoilt = 0
  private readonly bytes = new Uint8Array(frameBytes * mostFramesAtOnce)

  constructor(
    private readonly clock: Clock,
    private readonly air: (mono: number) => { pm2_5: number; coarse: number },
    private readonly faults: MadeFaults,
    private readonly random: Random,
  ) {}

  open(): Promise<Outcome<ByteLine>> {
    if (this.isUnplugged())
      return Promise.resolve({ ok: false, fault: { code: 'port-missing', detail: this.name } })
    let sentUntil = Math.floor(this.clock.mono())
    let closed = false
    const line: ByteLine = {
      readAvailable: () => {
        if (closed || this.isUnplugged()) return 'gone'
        const now = Math.floor(this.clock.mono())
        const frames = Math.min(mostFramesAtOnce, now - sentUntil)
        for (let i = 0; i < frames; i++) this.make(i * frameBytes, sentUntil + i + 1)
        sentUntil = now
        return frames > 0 ? this.bytes.subarray(0, frames * frameBytes) : 'nothing'
      },
      write: () => Promise.resolve(done),
      close: () => {
        closed = true
        return Promise.resolve()
      },
    }
    return Promise.resolve(good(line))
  }

  private isUnplugged(): boolean {
    const { unplugged } = this.faults
    const now = this.clock.mono()
    return unplugged !== undefined && now >= unplugged.at && now < unplugged.at + unplugged.seconds
  }

  private make(offset: number, mono: number): void {
    const { pm2_5, coarse } = this.air(mono)
    writeFrame(this.bytes, offset, plausibleFrame(pm2_5, coarse))
    this.framesMade++
    if (this.random.next() >= this.faults.spoiltShare) return
    this.framesSpoilt++
    this.bytes[offset + 4 + Math.floor(this.random.next() * 26)] ^= 1 << Math.floor(this.random.next() * 8)
  }
}
