/**
 * A station that lives on for months: frames at 1 Hz through every stage to the archive of a collector, with a power cut a
 * week, a lost link a day and a clock that is wrong at each start. All of it in virtual time, on disks and a broker in memory.
 */
import { createHash } from 'node:crypto'
import { setFlagsFromString } from 'node:v8'
import { runInNewContext } from 'node:vm'
import { loadLayout } from '../../agent/cli/layouts.js'
import { Collector, usualCollector } from '../../agent/collector/collector.js'
import { createDecoder, readingBytes } from '../../agent/instruments/instruments.js'
import { usualScreening } from '../../agent/screening/screening.js'
import { frameBytes, plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import { MemoryDisk, type Cut } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { reservedNumbers, Station, usualSilence } from '../../agent/station/station.js'
import { openArchive, openStore, type Archive, type Store } from '../../agent/store/store.js'
import {
  done,
  good,
  isBalanced,
  utcMillis,
  type ByteLine,
  type Outcome,
  type StageCounts,
  type StateFile,
} from '../../agent/terms/terms.js'
import { Uplink, usualUplink } from '../../agent/uplink/uplink.js'

export interface EnduranceOptions {
  readonly days: number
  readonly seed: number
  readonly cutEveryDays: number
  /** Room of the station's disk; retention acts at 90 % of it. */
  readonly capacityBytes: number
}

export interface Endured {
  readonly frames: number
  readonly boots: number
  readonly cuts: Readonly<Record<string, number>>
  readonly outages: number
  readonly cpuSeconds: number
  /** Bytes of heap in use after a collection, at the end of each 30 days and at the end. */
  readonly heapBytes: readonly number[]
  readonly mostDiskBytes: number
  /** Stages whose numbers did not add up; none. */
  readonly unbalanced: readonly string[]
  /** Numbers safe at the station that the archive does not account for; none. */
  readonly missing: number
  /** Numbers that stand in the archive's files more than once; none. */
  readonly twice: number
  readonly archived: number
  readonly doublesSent: number
  readonly conflicts: number
  readonly removedFiles: number
}

const daySeconds = 86_400
const hourSeconds = 3600
const yearStart = Date.UTC(2025, 0, 1)
const name = 'endurance'

export function value<T>(outcome: Outcome<T>): T {
  if (!outcome.ok) throw new Error(`${outcome.fault.code}: ${outcome.fault.detail}`)
  return outcome.value
}

/** Frames of a day, made once: what is measured is the station, not the making of bytes. */
export function madeFrames(seconds: number, seed: number): Uint8Array {
  const random = seededRandom(seed)
  const bytes = new Uint8Array(seconds * frameBytes)
  let level = 12
  for (let i = 0; i < seconds; i++) {
    level = Math.max(2, level + random.normal() * 0.05)
    const frame = plausibleFrame(level * (1 + random.normal() * 0.06), 4 + Math.abs(random.normal()) * 3)
    writeFrame(bytes, i * frameBytes, frame)
  }
  return bytes
}

/** One frame a second from the day's bytes, as the kernel's buffer would hold them. */
export class FrameLine implements ByteLine {
  bytesRead = 0
  private sent: number

  constructor(
    private readonly frames: Uint8Array,
    private readonly clock: VirtualClock,
  ) {
    this.sent = Math.floor(clock.mono())
  }

  readAvailable(): Uint8Array | 'nothing' {
    const due = Math.floor(this.clock.mono()) - this.sent
    if (due <= 0) return 'nothing'
    const from = (this.sent * frameBytes) % this.frames.length
    const bytes = this.frames.subarray(from, Math.min(this.frames.length, from + due * frameBytes))
    this.sent += bytes.length / frameBytes
    this.bytesRead += bytes.length
    return bytes
  }

  write(): Promise<Outcome<void>> {
    return Promise.resolve(done)
  }

  close(): Promise<void> {
    return Promise.resolve()
  }
}

/** Keeps the newest value that was saved, through cuts. */
class KeptState implements StateFile {
  private text: string | undefined
  load(): Promise<Outcome<unknown>> {
    return Promise.resolve(good(this.text === undefined ? undefined : (JSON.parse(this.text) as unknown)))
  }
  save(saved: unknown): Promise<Outcome<void>> {
    this.text = JSON.stringify(saved)
    return Promise.resolve(done)
  }
}

interface Boot {
  readonly station: Station
  readonly store: Store
  readonly clock: VirtualClock
  readonly line: FrameLine
}

const layout = value(loadLayout('frames-424d-32'))
const nothingSaid = { info: () => undefined, warn: () => undefined }

export class Endurance {
  private disk = new MemoryDisk('card')
  private readonly archiveDisk = new MemoryDisk('archive')
  private readonly broker = new MemoryBroker()
  private readonly state = new KeptState()
  private readonly frames: Uint8Array
  private readonly random: ReturnType<typeof seededRandom>
  private readonly collector: Collector
  private archive: Archive | undefined
  private boots = 0
  private storeIds = 0
  private frameCount = 0
  private outages = 0
  private readonly cuts: Record<string, number> = {}
  private readonly heapBytes: number[] = []
  private readonly unbalanced = new Set<string>()
  private mostDiskBytes = 0
  private linkBackAt = Infinity
  private linkLostAt = 0
  /** The clock of the present boot is wrong by so much until the network answers, s. */
  private clockError = 0
  private safeAtEnd = 0
  private goneLines = 0

  constructor(private readonly options: EnduranceOptions) {
    this.disk.capacityBytes = options.capacityBytes
    this.frames = madeFrames(daySeconds, options.seed)
    this.random = seededRandom(options.seed)
    this.collector = new Collector(
      { ...usualCollector, group: name },
      {
        broker: this.broker.client('collector'),
        random: this.random,
        faults: { raise: () => undefined, clear: () => undefined },
        openArchive: async ({ storeId }) => {
          const opened = await openArchive({ disk: this.archiveDisk, storeId, station: name })
          if (opened.ok) this.archive = opened.value
          return opened
        },
      },
    )
  }

  async run(): Promise<Endured> {
    const { days, cutEveryDays } = this.options
    const before = process.cpuUsage()
    this.collector.step(0 as never)
    await this.collector.settled()
    let boot = await this.boot(0)
    for (let day = 0; day < days; day++) {
      await this.liveDay(boot, day)
      if ((day + 1) % 30 === 0) this.noteHeap()
      const last = day + 1 === days
      if (!last && (day + 1) % cutEveryDays === 0) boot = await this.cutPower(boot, day + 1)
    }
    await this.drain(boot, days)
    this.noteHeap()
    this.lookAtStages(boot)
    const used = process.cpuUsage(before)
    return this.result((used.user + used.system) / 1e6)
  }

  /** Starts with a clock that is wrong and that nothing vouches for; the network answers ten minutes later. */
  private async boot(atSeconds: number): Promise<Boot> {
    const wrongSeconds = Math.round((this.random.next() - 0.7) * 400 * daySeconds)
    const hash = createHash('sha256').update(`${this.options.seed} ${this.boots++}`).digest('hex')
    const bootId = `${hash.slice(0, 8)}-0000-4000-8000-${hash.slice(8, 20)}`
    const utc = utcMillis(yearStart + (atSeconds + wrongSeconds) * 1000)
    const clock = new VirtualClock({ bootId, mono: 20, utc })
    const reserved = await reservedNumbers(this.state)
    const newStoreId = (): string => `0e0e0e0e-0000-4000-8000-${String(++this.storeIds).padStart(12, '0')}`
    const store = value(await openStore({ disk: this.disk, newStoreId, station: name, ...reserved }))
    const line = new FrameLine(this.frames, clock)
    const station = await this.start(store, clock, line)
    this.clockError = wrongSeconds
    return { station, store, clock, line }
  }

  private start(store: Store, clock: VirtualClock, line: FrameLine): Promise<Station> {
    const options = {
      ...{ station: name, group: name, readEverySeconds: 10, recordSeconds: 60, flushEverySeconds: 300 },
      ...{ healthEverySeconds: hourSeconds, rules: [], startDetails: {}, notBefore: utcMillis(yearStart) },
    }
    const instrument = {
      options: {
        ...usualSilence,
        ...{ name: 'sensor', screening: usualScreening, frameBytes: readingBytes(layout) },
      },
      lines: { name: 'made', open: () => Promise.resolve(good<ByteLine>(line)) },
      makeDecoder: (sink: Parameters<typeof createDecoder>[1]['sink']) => createDecoder(layout, { sink }),
    }
    const { broker, random, state, disk } = this
    return Station.start(options, {
      ...{ clock, store, state, log: nothingSaid, gauges: [], instruments: [instrument] },
      scheduler: { calendar: () => ({ stop: () => undefined }) },
      freeBytes: () => disk.freeBytes(),
      makeUplink: (faults) =>
        new Uplink(
          { ...usualUplink, group: name, station: name },
          { broker: broker.client(name), store, random, boot: clock.bootId.slice(0, 8), faults },
        ),
    })
  }

  private async liveDay(boot: Boot, day: number): Promise<void> {
    this.linkLostAt = day * daySeconds + Math.floor(this.random.next() * 20) * hourSeconds
    this.linkBackAt = this.linkLostAt + Math.floor(600 + this.random.next() * 3 * hourSeconds)
    await this.live(boot, day * daySeconds, (day + 1) * daySeconds)
    const used = this.options.capacityBytes - value(await this.disk.freeBytes())
    this.mostDiskBytes = Math.max(this.mostDiskBytes, used)
  }

  /** Through virtual time; between two moments of the story nothing but ticks happens. */
  private async live({ station, clock }: Boot, from: number, until: number): Promise<void> {
    const offset = clock.mono() - from
    let nextMinute = from
    while (clock.mono() - offset < until) {
      clock.set(station.nextTickAt)
      const now = clock.mono() - offset
      if (now >= nextMinute) {
        nextMinute = now + 60
        this.story(clock, now)
        this.collector.step(now as never)
        if (this.collector.busy) await this.collector.settled()
      }
      station.tick()
      if (station.busy) await station.settled()
    }
  }

  private story(clock: VirtualClock, now: number): void {
    if (clock.source === undefined && clock.mono() > 620) {
      clock.stepUtc(-this.clockError)
      clock.source = 'ntp'
    }
    const { trouble } = this.broker
    if (now >= this.linkLostAt) {
      this.linkLostAt = Infinity
      this.outages++
      trouble.refuseConnect = { code: 'broker-unreachable', detail: 'made' }
      this.broker.cut(name)
    }
    if (now >= this.linkBackAt) {
      this.linkBackAt = Infinity
      trouble.refuseConnect = undefined
      trouble.swallowAcknowledgements = Math.floor(this.random.next() * 3)
    }
  }

  private async cutPower(boot: Boot, day: number): Promise<Boot> {
    this.lookAtStages(boot)
    const cut = this.someCut()
    this.cuts[cut.unsynced] = (this.cuts[cut.unsynced] ?? 0) + 1
    this.disk = this.disk.cut(cut)
    this.broker.cut(name)
    return this.boot(day * daySeconds)
  }

  private someCut(): Cut {
    const { random } = this
    const which = Math.floor(random.next() * 4)
    if (which === 0) return { unsynced: 'lost' }
    if (which === 1) return { unsynced: 'kept' }
    if (which === 2) return { unsynced: 'torn', keptBytes: Math.floor(random.next() * 2000), rest: 'zeros' }
    const half = (): boolean => random.next() < 0.5
    return { unsynced: 'mixed', sectors: half, size: 'all', names: () => true }
  }

  /** Taken = given + refused + held at every stage, and what one stage gave the next one took. */
  private lookAtStages({ station, store, clock, line }: Boot): void {
    const health = station.health(clock.mono()) as {
      instruments: readonly { decoder: StageCounts; screening: StageCounts; stale_bytes: number }[]
      uplink: { lines: StageCounts }
    }
    const [{ decoder, screening, stale_bytes: stale }] = health.instruments
    const stages = { decoder, screening, store: store.counts(), uplink: health.uplink.lines }
    for (const [stage, counts] of Object.entries({ ...stages, collector: this.collector.counts() }))
      if (!isBalanced(counts)) this.unbalanced.add(`${stage}: ${JSON.stringify(counts)}`)
    const bytes = { read: line.bytesRead, taken: decoder.taken + stale }
    if (bytes.read !== bytes.taken) this.unbalanced.add(`line to decoder: ${JSON.stringify(bytes)}`)
    if (screening.taken * frameBytes !== decoder.given)
      this.unbalanced.add(`decoder to screening: ${decoder.given} bytes, ${screening.taken} readings`)
    this.frameCount += screening.taken
  }

  /** The link stands again: everything safe goes to the archive. */
  private async drain(boot: Boot, days: number): Promise<void> {
    this.broker.trouble.refuseConnect = undefined
    this.broker.trouble.swallowAcknowledgements = 0
    this.linkLostAt = Infinity
    await this.live(boot, days * daySeconds, days * daySeconds + 6 * hourSeconds)
    const { station, store } = boot
    value(await store.flush())
    this.safeAtEnd = store.safeSeq
    station.sendNow()
    await station.settled()
    await this.live(boot, days * daySeconds + 6 * hourSeconds, days * daySeconds + 6 * hourSeconds + 60)
    await this.collector.settled()
  }

  private noteHeap(): void {
    setFlagsFromString('--expose-gc')
    const collect = runInNewContext('gc') as () => void
    collect()
    this.heapBytes.push(process.memoryUsage().heapUsed)
  }

  private result(cpuSeconds: number): Endured {
    const gaps = this.archive!.ranges().gaps(1, this.safeAtEnd)
    const missing = gaps.reduce((sum, [from, to]) => sum + to - from + 1, 0)
    const { archived, twice, recordSeconds, accounted } = this.archivedLines()
    if (Math.abs(recordSeconds - accounted) > 0.001 * recordSeconds)
      this.unbalanced.add(`minutes: ${recordSeconds} s recorded, ${accounted} s used or excluded`)
    const { doubles: doublesSent, conflicts } = this.collector.lines
    return {
      ...{ frames: this.frameCount, boots: this.boots, cuts: this.cuts, outages: this.outages, cpuSeconds },
      ...{ heapBytes: this.heapBytes, mostDiskBytes: this.mostDiskBytes, unbalanced: [...this.unbalanced] },
      ...{ missing, twice, archived, doublesSent, conflicts },
      removedFiles: this.goneLines,
    }
  }

  /** The archive's files as anybody may read them: which numbers stand there, and whether each record's seconds add up. */
  private archivedLines(): { archived: number; twice: number; recordSeconds: number; accounted: number } {
    const seen = new Set<number>()
    let twice = 0
    let recordSeconds = 0
    let accounted = 0
    for (const path of this.archiveDisk.paths.filter((one) => one.startsWith('lines-')))
      for (const line of this.archiveDisk.text(path).split('\n')) {
        const cells = line.split(',')
        if (!/^[1-9]\d*$/.test(cells[1] ?? '')) continue
        if (cells[0] === 'gone') this.goneLines++
        if (seen.size === seen.add(Number(cells[1])).size) twice++
        if (cells[0] !== 'record') continue
        recordSeconds += Number(cells[5])
        // The second value cell is the used seconds of the first channel; the third cell from the end, the excluded ones.
        accounted += Number(cells[9]) + secondsIn(cells[cells.length - 3])
      }
    return { archived: seen.size, twice, recordSeconds, accounted }
  }
}

const secondsIn = (cell: string): number =>
  cell === '' ? 0 : cell.split(';').reduce((sum, part) => sum + Number(part.split('=')[1]), 0)

/** In words, for whoever runs it. */
export function enduredWords(endured: Endured, options: EnduranceOptions): string[] {
  const megabytes = (bytes: number): string => (bytes / 1e6).toFixed(1)
  const { frames, cpuSeconds, heapBytes } = endured
  return [
    `seed ${options.seed}: ${options.days} days, ${frames} frames, ${endured.boots} boots (cuts ${JSON.stringify(endured.cuts)}), ${endured.outages} outages of the link`,
    `whole pipeline to the archive: ${cpuSeconds.toFixed(1)} CPU s, ${Math.round(frames / cpuSeconds)} frames per CPU s, bytes not made here`,
    `heap after collection, MB: ${heapBytes.map(megabytes).join(' ')}; disk at most ${megabytes(endured.mostDiskBytes)} MB of ${megabytes(options.capacityBytes)}, ${endured.removedFiles} files removed for room`,
    `archive: ${endured.archived} numbers once each, ${endured.doublesSent} doubles sent, ${endured.conflicts} conflicts, ${endured.missing} missing`,
  ]
}
