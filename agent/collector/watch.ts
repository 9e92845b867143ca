/**
 * Watches the stations of a group: takes what they say of themselves, counts what is refused, and judges each when asked.
 * What a restart must not forget (when each was heard) comes back by `restore` from the status that was kept.
 */
import {
  factsIn,
  listIn,
  numberIn,
  parseUtc,
  textIn,
  type Message,
  type MonoSeconds,
  type StageCounts,
  type UtcMillis,
} from '../terms/terms.js'
import type { Roll } from './options.js'
import { isHeard } from './judge-silence.js'
import { groupOf, judge, type GroupSeen, type JudgeRules } from './judge.js'
import { readReport } from './reports.js'
import { Listening, StationsSeen, type Heard, type StationSeen } from './seen.js'
import type { Judgement, Reason } from './standing.js'
import { TwinWatch, twinWords, type Twins } from './twin-watch.js'

export interface WatchOptions {
  readonly group: string
  readonly mostStations: number
  readonly rules: JudgeRules
}

export interface Judged {
  readonly seen: StationSeen
  readonly judgement: Judgement
}

const longestNames = 20

export class StationsWatch {
  readonly stations: StationsSeen
  private readonly listening = new Listening()
  private readonly twins = new TwinWatch()
  private readonly counted = { taken: 0, given: 0, refused: {} as Record<string, number> }
  /** Topics of what was refused, the newest of them. */
  private readonly refusedFrom = new Map<string, string>()

  /** @param utc undefined while no clock is trusted */
  constructor(
    private readonly options: WatchOptions,
    private readonly utc: () => UtcMillis | undefined,
    private readonly suspicions?: (station: string) => readonly Reason[],
    private readonly roll: () => Roll = () => ({ expected: [], retired: new Set() }),
  ) {
    this.stations = new StationsSeen(options.mostStations)
  }

  /** With each step. @param connected what is said now reaches us */
  step(now: MonoSeconds, connected: boolean): void {
    if (connected) this.listening.begins(now)
    else this.listening.ends(now)
  }

  at(now: MonoSeconds): Heard {
    return { listenedSeconds: this.listening.seconds(now), utc: this.utc() }
  }

  /** A message that is no pack. @returns why it was refused, where it was */
  receive({ topic, payload, retained }: Message, now: MonoSeconds): string | undefined {
    this.counted.taken++
    const read = readReport(topic, payload, this.options.group)
    if (!read.ok) return this.refuse(topic, read.reason, read.station)
    if (!this.stations.take(read.station, read.report, this.at(now), retained))
      return this.refuse(topic, 'too-many-stations', undefined)
    this.counted.given++
    return undefined
  }

  private refuse(topic: string, reason: string, station: string | undefined): string {
    this.counted.refused[reason] = (this.counted.refused[reason] ?? 0) + 1
    this.refusedPack(topic, reason, station)
    return reason
  }

  /** A pack was refused. */
  refusedPack(topic: string, reason: string, station: string | undefined): void {
    if (station !== undefined) this.stations.refuse(station, reason)
    this.refusedFrom.delete(topic)
    this.refusedFrom.set(topic, reason)
    if (this.refusedFrom.size > longestNames) this.refusedFrom.delete(this.refusedFrom.keys().next().value!)
  }

  /** The newest of them: topic and reason. */
  get refusals(): readonly (readonly [string, string])[] {
    return [...this.refusedFrom]
  }

  /** A pack of the station was kept. @param grew it brought a line newer than all before it */
  pack(station: string, storeId: string, conflicts: number, grew: boolean, now: MonoSeconds): void {
    this.stations.lines(station, storeId, conflicts, this.at(now))
    if (grew) this.twins.grew(station, storeId, now)
  }

  twinsOf(station: string, now: MonoSeconds): Twins | undefined {
    return this.twins.of(station, now)
  }

  twinsWords(now: MonoSeconds): string {
    return twinWords(this.twins.standing(now))
  }

  /** A station that was taken away is not among them, unless it speaks. */
  judged(now: MonoSeconds): readonly Judged[] {
    const { expected, retired } = this.roll()
    const at = this.at(now)
    for (const station of expected) this.stations.know(station, at)
    const { rules } = this.options
    const all = this.stations.all().filter((seen) => !retired.has(seen.station) || isHeard(seen, rules, at))
    const twins = new Map(this.twins.standing(now).map(({ station, storeIds }) => [station, storeIds]))
    const group: GroupSeen = {
      ...groupOf(all),
      ...{ rules, twins },
      ...(this.suspicions ? { suspicions: this.suspicions } : {}),
    }
    return all.map((seen) => ({ seen, judgement: judge(seen, group, at) }))
  }

  counts(): StageCounts {
    return { ...this.counted, refused: { ...this.counted.refused }, held: 0 }
  }

  /** @param status what `statusOf` made before, or anything */
  restore(status: unknown): void {
    const { listened_s, stations, group } = factsIn(status)
    const listenedSeconds = numberIn(listened_s)
    if (group !== this.options.group || listenedSeconds === undefined || listenedSeconds < 0) return
    this.listening.restore(listenedSeconds)
    for (const one of listIn(stations, this.options.mostStations))
      this.restoreStation(factsIn(one), listenedSeconds)
  }

  private restoreStation(facts: Readonly<Record<string, unknown>>, listenedSeconds: number): void {
    const station = textIn(facts.station)
    if (station === undefined || !/^[a-z0-9][a-z0-9-]{0,31}$/.test(station)) return
    const known = numberIn(facts.heard_listened_s) ?? numberIn(facts.known_listened_s)
    const heard = Math.min(listenedSeconds, known ?? listenedSeconds)
    const utc = parseUtc(textIn(facts.heard_at) ?? '')
    const at = { listenedSeconds: heard, ...(utc === undefined ? {} : { utc }) }
    this.stations.restore({
      ...{ station, firstAt: at, alerts: new Map(), clockOffsets: [], refused: {} },
      ...(utc === undefined ? {} : { heardAt: at }),
      conflicts: Math.max(0, numberIn(facts.conflicts) ?? 0),
      stores: listIn(facts.stores, 64).flatMap((id) => textIn(id) ?? []),
    })
  }
}
