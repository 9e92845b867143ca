/**
 * Tells people what no station can tell itself: that one is silent, that its clock or identity is wrong, that the collector
 * itself hears nothing. Each change is a line in the collector's own store before anybody is told; so is each delivery.
 */
import {
  Delivery,
  ModemTalk,
  SimWatch,
  Wording,
  type Answer,
  type Asked,
  type DeliveryOptions,
  type DeliveryPorts,
  type DeliveryStatus,
  type ModemPorts,
  type ModemStanding,
  type Notice,
  type SimDates,
  type Template,
  type TemplateKind,
  type TestResult,
  type WatchPlace,
} from '../delivery/delivery.js'
import {
  parseUtc,
  utcText,
  type EventLine,
  type FaultCode,
  type MonoSeconds,
  type UtcMillis,
} from '../terms/terms.js'
import { groupFacts } from './daily-facts.js'
import type { StationSeen } from './seen.js'
import type { Reason } from './standing.js'
import { twinWindowSeconds } from './twin-watch.js'
import type { Judged } from './watch.js'

export interface GroupAlertOptions {
  readonly group: string
  readonly delivery: Omit<DeliveryOptions, 'storeId'>
  readonly place: WatchPlace
  readonly templates?: Readonly<Partial<Record<TemplateKind, Template>>>
  /** Days of the SIM that its owner is reminded of. */
  readonly sim?: SimDates
}

export interface GroupAlertPorts extends Pick<
  DeliveryPorts,
  'ways' | 'random' | 'faults' | 'mono' | 'boot' | 'event' | 'safe' | 'track'
> {
  readonly storeId: string
  readonly utc: () => UtcMillis | undefined
  /** Absent: no SMS can come. */
  readonly modem?: ModemPorts
  /** Stations that somebody took away: nobody need be told of them. */
  readonly retired?: () => ReadonlySet<string>
  /** Of the collector itself. */
  readonly standing: () => readonly { readonly code: FaultCode }[]
}

interface Change {
  readonly rule: string
  readonly state: 'raised' | 'over'
  readonly priority: 'normal' | 'high'
  readonly since?: string
  readonly facts: Readonly<Record<string, string>>
}

const alertName = 'alert'
const deafRule = 'collector-deaf'
/** Without a connection for so long the collector says that it cannot judge. */
const deafAfterSeconds = 30 * 60

export class GroupAlerts implements Asked {
  private readonly delivery: Delivery
  private readonly sim: SimWatch
  private readonly talk: ModemTalk | undefined
  private judged: readonly Judged[] = []
  private readonly raised = new Map<string, Change>()
  private deafSince: MonoSeconds | undefined
  private readonly startedAt: MonoSeconds

  constructor(
    { group, delivery, place, templates, sim }: GroupAlertOptions,
    private readonly ports: GroupAlertPorts,
  ) {
    this.startedAt = ports.mono()
    const { utc } = ports
    const wording = new Wording({ station: group, teller: 'collector', group, place, templates }, utc)
    const utcAt = (at: MonoSeconds): UtcMillis | undefined => {
      const now = utc()
      return now === undefined ? undefined : ((now - (ports.mono() - at) * 1000) as UtcMillis)
    }
    this.delivery = new Delivery(
      { ...delivery, storeId: ports.storeId },
      {
        ...ports,
        utcAt,
        compose: (...of) => wording.compose(...of),
        watchTime: (at) => wording.watch.at(at),
        dailyFacts: () => groupFacts(this.judged, ports.standing()),
      },
    )
    this.sim = new SimWatch(sim ?? {}, place.standardOffsetMinutes, ports.faults, utcAt)
    this.talk = ports.modem && this.talkWith(ports.modem)
  }

  /** A modem of a collector has mains, and its broker is hardly reached through it. */
  private talkWith(modem: ModemPorts): ModemTalk {
    const { mono, faults, track } = this.ports
    return new ModemTalk(modem, {
      ...{ mono, faults, track },
      isUp: () => true,
      link: () => 'not used',
      mayBeAnswered: () => {
        const { rules } = this.status()
        return rules.some(({ state, acknowledgedBy }) => state === 'raised' && acknowledgedBy === undefined)
      },
      heard: (text) => this.delivery.heard(text, mono()),
    })
  }

  /** Once, before the first step. @param lines all event lines of the collector's store */
  restore(lines: readonly EventLine[], now: MonoSeconds): void {
    this.delivery.restore(
      lines.filter(({ name }) => name !== alertName),
      now,
    )
    const newest = new Map<string, EventLine>()
    for (const line of lines) if (line.name === alertName) newest.set(line.details.rule, line)
    for (const line of newest.values()) {
      const change = changeOf(line)
      if (change.state === 'raised') this.raised.set(change.rule, change)
      // A kill may have come between this line and that of its delivery.
      this.delivery.tell(noticeOf(line.seq, change), now)
    }
  }

  /** @param connected messages of the group reach the collector */
  step(judged: readonly Judged[], connected: boolean, now: MonoSeconds): void {
    this.judged = judged
    this.lookDeaf(connected, now)
    for (const { seen, judgement } of judged) this.look(seen, judgement.reasons, now)
    this.lookRetired(judged, now)
    this.delivery.step(now)
    this.sim.step(now)
    this.talk?.step(now)
  }

  // ---- what others ask ----------------------------------------------------------------------------------------------------

  /** @param what a code or a rule, such as 'silent gate' */
  acknowledge(what: string, by: string): Answer {
    return this.delivery.acknowledge(what, by, this.ports.mono())
  }

  /** @param what a code, a rule or 'all'; for 0 seconds it ends a mute */
  mute(what: string, forSeconds: number, by: string): Answer {
    return this.delivery.mute(what, forSeconds, by, this.ports.mono())
  }

  beginTest(alias: string): boolean {
    return this.delivery.beginTest(alias, this.ports.mono())
  }

  get testResult(): TestResult {
    return this.delivery.testResult
  }

  status(): DeliveryStatus {
    return this.delivery.status(this.ports.mono())
  }

  /** How the modem stood when it was last asked. */
  modemStanding(): ModemStanding | undefined {
    return this.talk?.standing(this.ports.mono())
  }

  private lookDeaf(connected: boolean, now: MonoSeconds): void {
    this.deafSince = connected ? undefined : (this.deafSince ?? now)
    const isDeaf = this.deafSince !== undefined && now - this.deafSince >= deafAfterSeconds
    if (isDeaf) this.raise(deafChange, now)
    else if (connected) this.end(deafRule, now)
  }

  /** Stations of which people were told, and it is not over. */
  raisedOf(): readonly string[] {
    const of = [...this.raised.values()].map(({ facts }) => facts.station)
    return [...new Set(of.filter((station) => station !== undefined))]
  }

  private lookRetired(judged: readonly Judged[], now: MonoSeconds): void {
    const retired = this.ports.retired?.()
    if (!retired || retired.size === 0) return
    const speaking = new Set(judged.map(({ seen }) => seen.station))
    for (const { rule, facts } of this.raised.values())
      if (retired.has(facts.station) && !speaking.has(facts.station))
        this.end(rule, now, `${facts.station} is watched no more: by the register it was taken away`)
  }

  private look(seen: StationSeen, reasons: readonly Reason[], now: MonoSeconds): void {
    for (const reason of reasons)
      if (reason.tell) this.raise(changeFor(seen.station, reason, reason.tell), now)
    for (const code of Object.keys(tellable)) {
      const isOver = !reasons.some((one) => one.code === code && one.tell) && this.mayBeOver(code, seen, now)
      if (isOver) this.end(`${code} ${seen.station}`, now)
    }
  }

  /** What a start has not seen yet is not over. */
  private mayBeOver(code: string, seen: StationSeen, now: MonoSeconds): boolean {
    if (code === 'silent') return seen.heardAt !== undefined
    if (code === 'clock') return seen.clockOffsets.length > 0
    return code === 'cloned' || now - this.startedAt >= twinWindowSeconds
  }

  private raise(change: Change, now: MonoSeconds): void {
    if (this.raised.has(change.rule)) return
    this.raised.set(change.rule, change)
    this.write(change, now)
  }

  /** @param words in place of those with which it was raised */
  private end(rule: string, now: MonoSeconds, words?: string): void {
    const raised = this.raised.get(rule)
    if (!raised) return
    this.raised.delete(rule)
    const utc = this.ports.utc()
    const { priority } = raised
    const facts = words === undefined ? raised.facts : { ...raised.facts, words }
    this.write(
      { rule, state: 'over', priority, facts, ...(utc === undefined ? {} : { since: utcText(utc) }) },
      now,
    )
  }

  private write(change: Change, now: MonoSeconds): void {
    const { rule, state, priority, since, facts } = change
    const details = { rule, state, priority, ...(since === undefined ? {} : { since }), ...facts }
    const line = this.ports.event(now, alertName, details)
    this.talk?.askSoon(now)
    this.delivery.tell(noticeOf(line.seq, change), now)
  }
}

const deafChange: Change = {
  ...{ rule: deafRule, state: 'raised', priority: 'high' },
  facts: {
    words: 'the collector does not reach its broker',
    detail: 'silent stations are not noticed meanwhile',
    first: 'look whether the broker runs and lets the collector in',
  },
}

const tellable: Readonly<Record<string, string>> = {
  silent: 'is silent',
  clock: 'has a wrong clock',
  'two-stores': 'has a twin',
  cloned: 'sends numbers that were used before',
  flat: 'shows the same all the time',
  'floor-drift': 'reads clean air otherwise than before',
  'gain-loss': 'measures less and less',
  'gain-step': 'measures much less than before',
  noise: 'jumps from hour to hour',
}

function changeFor(station: string, reason: Reason, priority: 'normal' | 'high'): Change {
  const { code, words: detail, firstThing: first, since } = reason
  const facts = { words: `${station} ${tellable[code] ?? code}`, station, detail, first }
  return {
    rule: `${code} ${station}`,
    state: 'raised',
    priority,
    ...(since === undefined ? {} : { since }),
    facts,
  }
}

function changeOf({ details }: EventLine): Change {
  const { rule = '', state, priority, since, ...facts } = details
  return {
    rule,
    state: state === 'raised' ? 'raised' : 'over',
    priority: priority === 'high' ? 'high' : 'normal',
    ...(since === undefined ? {} : { since }),
    facts,
  }
}

function noticeOf(seq: number, { rule, state, priority, since, facts }: Change): Notice {
  const at = since === undefined ? undefined : parseUtc(since)
  return { id: String(seq), rule, state, priority, ...(at === undefined ? {} : { since: at }), facts }
}
