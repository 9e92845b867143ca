/** Packs that came, until an archive has them: on the disk before the broker is told of it, and in memory in the order they came. */
import { addSeconds, type Fault, type MonoSeconds, type StageCounts } from '../terms/terms.js'
import type { CollectorOptions, CollectorPorts } from './options.js'
import type { Segment, Spool, Spooled } from './spool.js'

export interface Arrived {
  readonly topic: string
  readonly payload: Uint8Array
  /** In the spool; absent where there is none, or its disk does not take it. */
  readonly place?: Segment
}

export interface IntakeHooks {
  /** There is something to do. */
  readonly arrived: () => void
  readonly now: () => MonoSeconds
  readonly track: (work: Promise<unknown>) => void
  readonly faults: CollectorPorts['faults']
}

const spoolRestSeconds = 60

/** @param fault of the disk */
export const spoolRefused = ({ code, detail }: Fault): Fault => ({
  code: 'spool-refused',
  detail: `${code}: ${detail}`,
})

export class Intake {
  private readonly queue: Arrived[] = []
  private queuedBytes = 0
  /** On their way to the spool. */
  private arriving = 0
  private lastPlaced: Promise<void> | undefined
  private readonly inArchives: Segment[] = []
  private readonly held: (() => void)[] = []
  private readonly spool: Spool | undefined
  private spoolRestsUntil = -Infinity as MonoSeconds
  private isResting = false
  readonly refused: Record<string, number> = {}
  taken = 0
  given = 0

  constructor(
    private readonly options: Pick<CollectorOptions, 'mostWaiting' | 'mostWaitingBytes'>,
    spooled: CollectorPorts['spooled'],
    private readonly hooks: IntakeHooks,
  ) {
    this.spool = spooled?.spool
    for (const one of spooled?.left ?? []) this.takeLeft(one)
  }

  private takeLeft(left: Spooled): void {
    this.taken++
    this.queuedBytes += left.payload.length
    this.queue.push(left)
  }

  /** Beside the refused ones. */
  get isFull(): boolean {
    const { mostWaiting, mostWaitingBytes } = this.options
    return this.queue.length + this.arriving >= mostWaiting || this.queuedBytes >= mostWaitingBytes
  }

  /**
   * Resolves when the broker may be told: the pack is in the spool, and the archives keep up. So a broker holds back what comes
   * faster than it can be stored. A disk that takes nothing holds nothing back, or what stations say of themselves would
   * not be heard either: then the receipt is the only promise, as it always is for the station.
   */
  take(topic: string, payload: Uint8Array): Promise<void> {
    this.queuedBytes += payload.length
    this.arriving++
    const placed = this.place(topic, payload).then((place) => {
      this.arriving--
      this.queue.push({ topic, payload, place })
      this.hooks.arrived()
    })
    this.lastPlaced = placed
    this.hooks.track(placed)
    return placed.then(() => this.whenThereIsRoom())
  }

  private async place(topic: string, payload: Uint8Array): Promise<Segment | undefined> {
    if (!this.spool || this.hooks.now() < this.spoolRestsUntil) return undefined
    const placed = await this.spool.add(topic, payload)
    if (!placed.ok) return this.restSpool(placed.fault)
    this.hooks.faults.clear('spool-refused')
    return placed.value
  }

  private restSpool(fault: Fault): undefined {
    this.spoolRestsUntil = addSeconds(this.hooks.now(), spoolRestSeconds)
    this.hooks.faults.raise(spoolRefused(fault))
  }

  private whenThereIsRoom(): Promise<void> | void {
    const isCrowded = this.queue.length > this.options.mostWaiting / 2
    return isCrowded && !this.isResting ? new Promise((resolve) => this.held.push(resolve)) : undefined
  }

  get first(): Arrived | undefined {
    return this.queue[0]
  }

  get length(): number {
    return this.queue.length
  }

  /** The first is in its archive, or in none. */
  shift(): void {
    const { payload, place } = this.queue.shift()!
    this.queuedBytes -= payload.length
    if (place) this.inArchives.push(place)
  }

  /** The archives synced what was shifted. */
  synced(): void {
    this.isResting = false
    if (this.inArchives.length > 0) this.spool!.release(this.inArchives.splice(0))
    if (this.queue.length <= this.options.mostWaiting / 2) this.letGo()
  }

  /** The archives take nothing for a while. */
  rest(): void {
    this.isResting = true
    this.letGo()
  }

  private letGo(): void {
    for (const resolve of this.held.splice(0)) resolve()
  }

  /** Resolves when nothing is on its way to the spool. */
  async settled(): Promise<void> {
    while (this.arriving > 0) await this.lastPlaced
  }

  refuse(reason: string): void {
    this.refused[reason] = (this.refused[reason] ?? 0) + 1
  }

  counts(): StageCounts {
    const { taken, given, refused, queue, arriving } = this
    return { taken, given, refused: { ...refused }, held: queue.length + arriving }
  }
}
