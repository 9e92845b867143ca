import {
  addSeconds,
  bad,
  done,
  good,
  type BrokerSession,
  type ColumnSet,
  type MonoSeconds,
  type Outcome,
} from '../terms/terms.js'
import type { Ledger } from './ledger.js'
import type { UplinkOptions, UplinkPorts } from './options.js'
import { makePack, type PackLine } from './pack.js'
import { Suspects, type Suspect } from './suspects.js'
import { topicOf } from './topics.js'

/** Packs that are read, built or unanswered at one time. */
const window = 2
/** Text in one pack: far below what the far end unpacks, whatever the lines hold. */
const mostPackCharacters = 400_000
const storeRestSeconds = 60
/** A broker that has no room, or takes nothing at all, is left alone so long, doubled each time. */
const fullRestSeconds = 60
const deniedRestSeconds = 300
const longestRestSeconds = 6 * 3600
/** So many packs in a row that end badly are not about what is in them. */
const mostInARow = 10
const mostDoubtedInARow = 3

type Built = { readonly from: number; readonly to: number; readonly pack: Uint8Array }

/** What one flight is about: numbers, and why they go now. */
interface Flight {
  readonly from: number
  readonly to: number
  readonly newestFirst: boolean
  /** Where it is known to be in doubt. */
  readonly suspect?: Suspect
}

/**
 * Takes ranges from the ledger through reading, packing and publishing, and writes in it how each one ended. A pack that
 * the broker does not take, or that the link goes down with, is in doubt (suspects.ts) and flies alone from then on.
 */
export class Departures {
  underway = 0
  acknowledged = 0
  private storeRestsUntil = -Infinity as MonoSeconds
  private restsUntil = -Infinity as MonoSeconds
  private rests = 0
  private denied = false
  private refusedInARow = 0
  private doubtedInARow = 0
  private aloneUnderway = false
  private readonly suspects = new Suspects()

  constructor(
    private readonly options: UplinkOptions,
    private readonly ports: UplinkPorts,
    private readonly ledger: Ledger,
  ) {}

  private mayStart(now: MonoSeconds): boolean {
    return (
      this.underway < window && !this.aloneUnderway && now >= this.storeRestsUntil && now >= this.restsUntil
    )
  }

  /**
   * Starts the next pack; undefined when there is none. Resolves with the broker's answer.
   * @param mayOld false: only what is new goes
   */
  start(session: BrokerSession, now: MonoSeconds, mayOld: boolean): Promise<Outcome<void>> | undefined {
    if (!this.mayStart(now)) return undefined
    const taken = this.ledger.takeOff(mayOld)
    const flight = taken
      ? { from: taken.range[0], to: taken.range[1], newestFirst: taken.newestFirst }
      : this.startSuspect(now, mayOld)
    if (!flight) return undefined
    this.underway++
    this.aloneUnderway = flight.suspect !== undefined
    return this.fly(session, flight, now).finally(() => {
      this.underway--
      this.aloneUnderway = false
    })
  }

  /** After everything else, and with nothing beside it: what happens then is about this one. */
  private startSuspect(now: MonoSeconds, mayOld: boolean): Flight | undefined {
    if (this.underway > 0 || !mayOld) return undefined
    for (let one = this.suspects.next(now); one; one = this.suspects.next(now))
      if (this.ledger.takeOffDoubtful(one.from, one.to))
        return { from: one.from, to: one.to, newestFirst: false, suspect: one }
    return undefined
  }

  /** The broker does not take packs, or some of them. */
  get troubled(): boolean {
    return this.denied || this.suspects.ranges.length > 0
  }

  private async fly(session: BrokerSession, flight: Flight, now: MonoSeconds): Promise<Outcome<void>> {
    const { from, to } = flight
    const read = await this.ports.store.linesAsText(from, to)
    if (!read.ok) {
      this.storeRestsUntil = addSeconds(now, storeRestSeconds)
      this.ledger.release(from, to)
      return read
    }
    const built = this.build(from, to, read.value, flight.newestFirst)
    if (!built.ok) return built
    if (built.value === undefined) return done
    const topic = topicOf(this.options.group, this.options.station, 'lines')
    const answer = await session.publish(topic, built.value.pack, { retain: false })
    return this.landed(flight, built.value, answer, now)
  }

  /** The pack of as many of these lines as fit in one, the rest of the range released; undefined when there is none. */
  private build(
    from: number,
    to: number,
    lines: readonly PackLine[],
    newestFirst: boolean,
  ): Outcome<Built | undefined> {
    const part = newestFirst ? lastPart(lines) : firstPart(lines)
    const first = newestFirst && part.length < lines.length ? part[0].line.seq : from
    const last = !newestFirst && part.length < lines.length ? part[part.length - 1].line.seq : to
    if (first > from) this.ledger.release(from, first - 1)
    if (last < to) this.ledger.release(last + 1, to)
    this.setAsideAbsent(first, last, part)
    if (part.length === 0) return good(undefined)
    const pack = this.pack(part)
    return pack.ok
      ? good({ from: first, to: last, pack: pack.value })
      : this.setAsideUnbuildable(first, last, part, pack)
  }

  /** Numbers that no line has (a skip line may say why) are not waited for. */
  private setAsideAbsent(from: number, to: number, lines: readonly PackLine[]): void {
    let next = from
    for (const { line } of lines) {
      if (line.seq > next) this.ledger.setAside(next, line.seq - 1, 'no-line')
      next = line.seq + 1
    }
    if (to >= next) this.ledger.setAside(next, to, 'no-line')
  }

  private pack(lines: readonly PackLine[]): Outcome<Uint8Array> {
    const { group, station } = this.options
    try {
      const boot = lines.map(bootOf).find((one) => one !== undefined) ?? this.ports.boot
      const content = {
        group,
        station,
        storeId: this.ports.store.storeId,
        boot,
        lines,
        sets: this.setsOf(lines),
      }
      return good(makePack(content, this.options))
    } catch (error) {
      return bad('pack-refused', `lines from ${lines[0].line.seq}: ${(error as Error).message}`)
    }
  }

  private setsOf(lines: readonly PackLine[]): ColumnSet[] {
    const ids = new Set(lines.map(({ line }) => line.set ?? ''))
    return [...ids].map((id) => this.ports.store.columnSet(id)).filter((set) => set !== undefined)
  }

  /** Finds the lines that cannot be packed even alone; the others go with a later pack. */
  private setAsideUnbuildable<T>(
    from: number,
    to: number,
    lines: readonly PackLine[],
    why: Outcome<T>,
  ): Outcome<never> {
    const poison = lines.filter((line) => !this.pack([line]).ok)
    for (const { line } of poison.length > 0 ? poison : lines)
      this.ledger.setAside(line.seq, line.seq, 'unbuildable')
    this.ledger.release(from, to)
    return why as Outcome<never>
  }

  private landed(
    flight: Flight,
    { from, to }: Built,
    answer: Outcome<void>,
    now: MonoSeconds,
  ): Outcome<void> {
    if (answer.ok) {
      this.acknowledged++
      Object.assign(this, { rests: 0, denied: false, refusedInARow: 0, doubtedInARow: 0 })
      this.suspects.landed(from)
      this.ledger.landed(from, to, now)
      return answer
    }
    // What did not fit in this pack was released; the rest of a suspect goes on as one.
    const suspect = flight.suspect && { ...flight.suspect, from, to }
    switch (answer.fault.code) {
      case 'broker-refused':
        this.refused(suspect ?? { from, to, tries: 0, notBefore: now }, now, 'at once')
        break
      case 'link-lost':
        if (suspect) this.refused(suspect, now, 'rest')
        else return this.lost(from, to, answer, now)
        break
      case 'broker-full':
      case 'broker-denied':
        this.rest(now, answer.fault.code === 'broker-full' ? fullRestSeconds : deniedRestSeconds)
        this.release(from, to, suspect, now)
        break
      default:
        this.release(from, to, suspect, now)
    }
    return answer
  }

  private release(from: number, to: number, suspect: Suspect | undefined, now: MonoSeconds): void {
    if (!suspect) return this.ledger.release(from, to)
    this.ledger.doubt(from, to)
    this.suspects.putBack(suspect, now)
  }

  /** Too large, say, or the link went while it flew alone: smaller parts of it, and at last the one line is parked. */
  private refused(one: Suspect, now: MonoSeconds, rest: 'rest' | 'at once'): void {
    if (++this.refusedInARow >= mostInARow) {
      this.ledger.doubt(one.from, one.to)
      this.suspects.putBack(one, now)
      return this.giveUpDoubts(now)
    }
    if (this.suspects.failed(one, now, rest) === 'kept') this.ledger.doubt(one.from, one.to)
    else this.ledger.setAside(one.from, one.to, 'parked')
  }

  /** A link that goes is common; that the same pack is in flight each time, less so. */
  private lost(from: number, to: number, answer: Outcome<void>, now: MonoSeconds): Outcome<void> {
    if (!this.suspects.lost(from, to, now)) {
      this.ledger.release(from, to)
      return answer
    }
    this.ledger.doubt(from, to)
    if (++this.doubtedInARow < mostDoubtedInARow) return answer
    this.giveUpDoubts(now)
    return bad('broker-denied', 'the connection ends at each pack, whatever is in it')
  }

  /** None was taken for long: it is not the lines. They count as never tried, after a rest. */
  private giveUpDoubts(now: MonoSeconds): void {
    for (const [from, to] of this.suspects.clear()) this.ledger.trust(from, to)
    Object.assign(this, { refusedInARow: 0, doubtedInARow: 0 })
    this.rest(now, deniedRestSeconds)
  }

  private rest(now: MonoSeconds, firstSeconds: number): void {
    const seconds = Math.min(longestRestSeconds, firstSeconds * 2 ** Math.min(this.rests++, 10))
    this.restsUntil = addSeconds(now, seconds)
    if (firstSeconds === deniedRestSeconds) this.denied = true
  }
}

const bootOf = ({ line }: PackLine): string | undefined => line.boot

/** A pack is of one boot and of bounded length: as many lines from the start as keep to that. */
function firstPart(lines: readonly PackLine[]): readonly PackLine[] {
  let boot: string | undefined
  let characters = 0
  const end = lines.findIndex((line, i) => {
    characters += line.text.length
    const other = bootOf(line)
    const turned = boot !== undefined && other !== undefined && other !== boot
    boot ??= other
    return i > 0 && (turned || characters > mostPackCharacters)
  })
  return end < 0 ? lines : lines.slice(0, end)
}

const lastPart = (lines: readonly PackLine[]): readonly PackLine[] =>
  firstPart([...lines].reverse()).toReversed()
