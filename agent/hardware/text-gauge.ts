import { performance } from 'node:perf_hooks'
import { setTimeout as wait } from 'node:timers/promises'
import {
  bad,
  good,
  type ByteLine,
  type Fault,
  type Gauge,
  type GaugeReading,
  type LineFactory,
} from '../terms/terms.js'
import { PatientLine } from './patient-line.js'

/** Finds whole lines in bytes and hands on their numbers; a decoder of `instruments` is one. */
export interface LineDecoder {
  push(bytes: Uint8Array): void
  /** What comes first may be the rest of a line. */
  lineOpened(): void
}

export interface TextGaugeOptions {
  readonly line: LineFactory
  /** @param sink takes the numbers of a line, in the order of `channels`; they are valid until it returns */
  readonly makeDecoder: (sink: (numbers: Float64Array) => void) => LineDecoder
  readonly channels: readonly { readonly channel: string; readonly scale: number }[]
  /** A line comes at least so often. */
  readonly everySeconds: number
  /** So long a reading waits for a line where it must. */
  readonly listenSeconds?: number
}

/** As much as the kernel keeps of a line that nobody reads (N_TTY, 4,096 bytes less one): then some was lost. */
const keptBytes = 4095
const pollMilliseconds = 50
/** More at once while listening had waited elsewhere on its way. */
const backlogBytes = 1024

/**
 * Battery and sun from lines that a device sends by itself: the newest whole line since the last reading counts. Where more
 * waited than the kernel keeps, it is old and torn; it is thrown away and the next line is listened for. A value stands
 * until two lines should have come; then it is missing, with its reason, never 0.
 */
export class TextGauge implements Gauge {
  private readonly port: PatientLine
  private readonly decoder: LineDecoder
  private newest: readonly number[] | undefined
  /** Of the newest line, or of the opening. */
  private heardAtSeconds = 0
  private strangeBytes = 0
  private pending: Promise<readonly GaugeReading[]> | undefined

  constructor(
    private readonly options: TextGaugeOptions,
    private readonly nowSeconds: () => number = () => performance.now() / 1000,
  ) {
    this.port = new PatientLine(options.line, nowSeconds)
    this.decoder = options.makeDecoder((numbers) => {
      this.newest = options.channels.map(({ scale }, i) => numbers[i] * scale)
      this.heardAtSeconds = this.nowSeconds()
      this.strangeBytes = 0
    })
  }

  get name(): string {
    return this.port.name
  }

  read(): Promise<readonly GaugeReading[]> {
    this.pending ??= this.readOnce().finally(() => {
      this.pending = undefined
    })
    return this.pending
  }

  async close(): Promise<void> {
    await this.pending
    await this.port.close()
  }

  private async readOnce(): Promise<readonly GaugeReading[]> {
    const isNew = !this.port.isOpen
    const line = await this.port.open()
    if (!line.ok) return this.missing(line.fault)
    if (isNew) this.forget()
    const came = this.pull(line.value)
    if (came !== 'gone' && came >= keptBytes) this.forget()
    const isThere = came !== 'gone' && (this.newest ? true : await this.listen(line.value))
    if (isThere) return this.values()
    await this.port.close()
    return this.missing(bad('port-gone', this.name).fault)
  }

  /** What was held may be torn, and is not of now. */
  private forget(): void {
    this.decoder.lineOpened()
    this.newest = undefined
    this.heardAtSeconds = this.nowSeconds()
    this.strangeBytes = 0
  }

  /** @returns how many bytes had come; what stands in them the decoder has told */
  private pull(line: ByteLine): number | 'gone' {
    let came = 0
    for (;;) {
      const bytes = line.readAvailable()
      if (bytes === 'gone') return 'gone'
      if (bytes === 'nothing') return came
      came += bytes.length
      this.strangeBytes += bytes.length
      this.decoder.push(bytes)
      // A pull that is not full was the last; whoever sends without end must not hold us.
      if (bytes.length < keptBytes || came > 16 * keptBytes) return came
    }
  }

  /** @returns false when the line was lost */
  private async listen(line: ByteLine): Promise<boolean> {
    const untilSeconds = this.nowSeconds() + (this.options.listenSeconds ?? 3)
    while (!this.newest && this.nowSeconds() < untilSeconds) {
      await wait(pollMilliseconds)
      const came = this.pull(line)
      if (came === 'gone') return false
      if (came >= backlogBytes) this.forget()
    }
    return true
  }

  private values(): readonly GaugeReading[] {
    const silentSeconds = this.nowSeconds() - this.heardAtSeconds
    if (silentSeconds > 2 * this.options.everySeconds) {
      this.newest = undefined
      return this.missing(bad('gauge-missing', `${this.name}: ${this.silenceWords(silentSeconds)}`).fault)
    }
    const { newest } = this
    // Just opened, and no line was due yet: nothing is known and nothing is wrong.
    if (!newest) return []
    return this.options.channels.map(({ channel }, i) => ({ channel, value: good(newest[i]) }))
  }

  private silenceWords(silentSeconds: number): string {
    const since = `for ${Math.round(silentSeconds)} s`
    if (this.strangeBytes === 0) return `no line ${since}`
    return `no line of its layout ${since}, though ${this.strangeBytes} bytes came (baud rate, pattern?)`
  }

  private missing(fault: Fault): readonly GaugeReading[] {
    return this.options.channels.map(({ channel }) => ({ channel, value: { ok: false, fault } }))
  }
}
