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
import { makePack, type PackLine } from './pack.js'
import { topicOf } from './topics.js'
import type { UplinkOptions, UplinkPorts } from './options.js'

/** Packs that are read, built or unanswered at one time. */
const window = 2
/** Text in one pack: far below what the far end unpacks, whatever the lines hold. */
const mostPackCharacters = 400_000
/** A pack that the broker refused, or that went down with the link this often, waits so long for its next attempt. */
const refusedRestSeconds = 6 * 3600
const mostLosses = 5
const storeRestSeconds = 60

type Built = { readonly from: number; readonly to: number; readonly pack: Uint8Array }

/** Takes ranges from the ledger through reading, packing and publishing, and writes in it how each one ended. */
export class Departures {
  underway = 0
  acknowledged = 0
  private storeRestsUntil = -Infinity as MonoSeconds
  /** By first number: how often a pack was in flight when the link went. */
  private readonly losses = new Map<number, number>()

  constructor(
    private readonly options: UplinkOptions,
    private readonly ports: UplinkPorts,
    private readonly ledger: Ledger,
  ) {}

  get mayStart(): boolean {
    return this.underway < window
  }

  /** Starts the next pack; undefined when there is none. Resolves with the broker's answer. */
  start(session: BrokerSession, now: MonoSeconds): Promise<Outcome<void>> | undefined {
    if (now < this.storeRestsUntil) return undefined
    const taken = this.ledger.takeOff()
    if (!taken) return undefined
    this.underway++
    return this.fly(session, taken.range[0], taken.range[1], taken.newestFirst, now).finally(
      () => this.underway--,
    )
  }

  private async fly(
    session: BrokerSession,
    from: number,
    to: number,
    newestFirst: boolean,
    now: MonoSeconds,
  ): Promise<Outcome<void>> {
    const read = await this.ports.store.linesAsText(from, to)
    if (!read.ok) {
      this.storeRestsUntil = addSeconds(now, storeRestSeconds)
      this.ledger.release(from, to)
      return read
    }
    const built = this.build(from, to, read.value, newestFirst)
    if (!built.ok) return built
    if (built.value === undefined) return done
    const topic = topicOf(this.options.group, this.options.station, 'lines')
    const answer = await session.publish(topic, built.value.pack, { retain: false })
    this.landed(built.value, answer, now)
    return answer
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

  private landed({ from, to }: Built, answer: Outcome<void>, now: MonoSeconds): void {
    if (answer.ok) {
      this.acknowledged++
      this.losses.delete(from)
      this.ledger.landed(from, to, now)
    } else if (answer.fault.code === 'broker-refused' || this.lostTooOften(from, answer.fault.code)) {
      this.ledger.setAside(from, to, 'broker-refused', addSeconds(now, refusedRestSeconds))
    } else this.ledger.release(from, to)
  }

  /** A pack that takes the link down with it each time (too large for the broker, say) must not block the others. */
  private lostTooOften(from: number, code: string): boolean {
    if (code !== 'link-lost') return false
    if (this.losses.size > 100) this.losses.clear()
    const times = (this.losses.get(from) ?? 0) + 1
    this.losses.set(from, times)
    if (times < mostLosses) return false
    this.losses.delete(from)
    return true
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
