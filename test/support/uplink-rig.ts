/** A station's uplink and a collector on a broker in memory, and the time that both live in. */
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import {
  Collector,
  usualCollector,
  type Archive,
  type CollectorOptions,
} from '../../agent/collector/collector.js'
import {
  bad,
  done,
  good,
  monoSeconds,
  RangeSet,
  type Broker,
  type Fault,
  type FaultCode,
  type MonoSeconds,
  type Outcome,
} from '../../agent/terms/terms.js'
import {
  readPack,
  Uplink,
  usualUplink,
  type LineSource,
  type PackLine,
  type UnpackedLine,
  type UplinkOptions,
} from '../../agent/uplink/uplink.js'
import { asStored, madeBoot, madeSet, repeatable } from './made-lines.js'

/** A store that only gives: lines in an array, which may have holes. */
export class MadeStore implements LineSource {
  readonly storeId = 'store-0001'
  readonly kept = new Map<number, PackLine>()
  reads = 0
  broken: Fault | undefined

  put(line: PackLine): void {
    this.kept.set(line.line.seq, line)
    this.newest = line.line.seq
  }

  /** A short event line under the next number. */
  event(mono: number, boot = madeBoot): PackLine {
    const seq = this.newest + 1
    const line = asStored({
      kind: 'event',
      seq,
      boot,
      mono: monoSeconds(mono),
      name: 'made',
      details: { n: String(seq) },
    })
    this.put(line)
    return line
  }

  /** The number put last. */
  newest = 0

  async linesAsText(from: number, to: number): Promise<Outcome<readonly PackLine[]>> {
    this.reads++
    await Promise.resolve()
    if (this.broken) return { ok: false, fault: this.broken }
    const found: PackLine[] = []
    for (let seq = from; seq <= to; seq++) {
      const line = this.kept.get(seq)
      if (line) found.push(line)
    }
    return good(found)
  }

  columnSet(id: string) {
    return id === madeSet.id ? madeSet : undefined
  }

  texts(): string[] {
    return [...this.kept.values()].map((line) => line.text)
  }
}

/** An archive in memory: what was added is there after `sync` only. */
export class MadeArchive implements Archive {
  readonly kept = new Map<number, string>()
  readonly aside: string[] = []
  private pending: UnpackedLine[] = []
  private readonly numbers = new RangeSet()
  syncs = 0
  full = false

  async add(lines: readonly UnpackedLine[]) {
    await Promise.resolve()
    if (this.full) return bad('disk-full', 'made')
    const result = { added: 0, doubles: 0, conflicts: [] as number[], refused: 0 }
    for (const line of lines) {
      const before = this.kept.get(line.seq)
      if (before === line.text) result.doubles++
      else if (before !== undefined) {
        result.conflicts.push(line.seq)
        this.aside.push(line.text)
      } else {
        result.added++
        this.kept.set(line.seq, line.text)
        this.pending.push(line)
      }
    }
    return good(result)
  }

  async sync() {
    await Promise.resolve()
    this.syncs++
    for (const { seq, line } of this.pending.splice(0)) {
      this.numbers.add(seq)
      if (line.kind === 'skip') this.numbers.add(line.from, line.to)
    }
    return done
  }

  ranges(): RangeSet {
    return this.numbers
  }

  texts(): string[] {
    return [...this.kept].sort((a, b) => a[0] - b[0]).map(([, text]) => text)
  }
}

export class FaultLog {
  readonly standing = new Set<FaultCode>()
  readonly all: Fault[] = []

  raise(fault: Fault): void {
    this.standing.add(fault.code)
    this.all.push(fault)
  }

  clear(...codes: FaultCode[]): void {
    for (const code of codes) this.standing.delete(code)
  }

  times(code: FaultCode): number {
    return this.all.filter((fault) => fault.code === code).length
  }
}

export const made = {
  ...usualUplink,
  group: 'oakfield',
  station: 'st-1',
} as const satisfies UplinkOptions

export const topic = (what: string): string => `motepost/1/oakfield/st-1/${what}`

export class UplinkRig {
  readonly broker = new MemoryBroker()
  readonly store = new MadeStore()
  readonly faults = new FaultLog()
  readonly uplink: Uplink
  readonly archives = new Map<string, MadeArchive>()
  readonly collectorFaults = new FaultLog()
  collector: Collector | undefined
  /** Packs handed to the broker, taken or not. */
  offered = 0
  /** Topics in the order in which the broker took them, and the numbers of each pack. */
  readonly taken: string[] = []
  readonly packs: number[][] = []
  now = 1000 as MonoSeconds

  constructor(options: Partial<UplinkOptions> = {}, seed = 1, boot = madeBoot) {
    const random = { next: repeatable(seed) }
    const { broker, store, faults } = this
    this.uplink = new Uplink(
      { ...made, ...options },
      { broker: this.counting(broker.client('st-1')), store, random, boot, faults },
    )
    broker.onPublish = (message) => {
      this.taken.push(message.topic)
      if (!message.topic.endsWith('/lines')) return
      const pack = readPack(message.payload)
      if (pack.ok) this.packs.push(pack.value.lines.map((line) => line.seq))
    }
  }

  private counting(broker: Broker): Broker {
    return {
      name: broker.name,
      connect: async (request) => {
        const connected = await broker.connect(request)
        if (!connected.ok) return connected
        const session = connected.value
        const publish = session.publish.bind(session)
        session.publish = (to, payload, how) => {
          if (to.endsWith('/lines')) this.offered++
          return publish(to, payload, how)
        }
        return connected
      },
    }
  }

  collect(options: Partial<CollectorOptions> = {}): Collector {
    this.collector = new Collector(
      { ...usualCollector, group: 'oakfield', ...options },
      {
        broker: this.broker.client('collector'),
        random: { next: repeatable(2) },
        faults: this.collectorFaults,
        openArchive: async ({ storeId }) => {
          const archive = this.archives.get(storeId) ?? new MadeArchive()
          this.archives.set(storeId, archive)
          return good(archive)
        },
      },
    )
    return this.collector
  }

  get archive(): MadeArchive {
    return this.archives.get(this.store.storeId) ?? new MadeArchive()
  }

  /** Time stands still until nothing is in flight on either side. */
  async quiet(): Promise<void> {
    do {
      await this.uplink.settled()
      await this.collector?.settled()
      await new Promise((resolve) => setImmediate(resolve))
    } while (this.uplink.busy || this.collector?.busy)
  }

  /** Steps of a minute (or so) until so many seconds have passed; `each` runs before each step. */
  async live(
    seconds: number,
    each: (now: MonoSeconds) => void = () => undefined,
    stepSeconds = 60,
  ): Promise<void> {
    const end = this.now + seconds
    while (this.now < end) {
      this.now = monoSeconds(Math.min(end, this.now + stepSeconds))
      each(this.now)
      this.collector?.step(this.now)
      this.uplink.step(this.now)
      await this.quiet()
    }
  }
}
