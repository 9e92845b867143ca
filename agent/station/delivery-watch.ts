import {
  Delivery,
  ModemTalk,
  SimWatch,
  Wording,
  type Answer,
  type Asked,
  type DeliveryOptions,
  type DeliveryStatus,
  type LinkWord,
  type ModemPorts,
  type ModemStanding,
  type Notice,
  type Priority,
  type SimDates,
  type Template,
  type TemplateKind,
  type TestResult,
  type WatchPlace,
  type WayName,
} from '../delivery/delivery.js'
import type { FaultBoard } from '../health/health.js'
import {
  canonicalLine,
  InFlight,
  parseUtc,
  type EventLine,
  type MessageWay,
  type MonoSeconds,
  type Random,
  type StageCounts,
  type UtcMillis,
} from '../terms/terms.js'
import type { SamplingStep } from '../power/power.js'
import type { FoundDelivery } from './delivery-lines.js'
import { mostLinkSeconds } from './link-on-demand.js'
import type { ModemHours } from './modem-hours.js'

export interface TellingOptions {
  readonly delivery: Omit<DeliveryOptions, 'storeId'>
  /** Of the watches of the people at the site. */
  readonly place: WatchPlace
  readonly templates?: Readonly<Partial<Record<TemplateKind, Template>>>
  /** Days of the SIM that its owner is reminded of. */
  readonly sim?: SimDates
}

export interface TellingPorts {
  readonly ways: ReadonlyMap<WayName, MessageWay>
  readonly random: Random
  /** Absent: no SMS can come. */
  readonly modem?: ModemPorts
}

export interface DeliveryHooks {
  readonly station: string
  readonly group: string
  readonly storeId: string
  readonly boot: string
  readonly mono: () => MonoSeconds
  readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined
  readonly event: (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>) => EventLine
  readonly whenSafe: () => Promise<boolean>
  readonly faults: FaultBoard
  /** Names of those that are watched. */
  readonly rules: ReadonlySet<string>
  /** What the daily line says. */
  readonly dailyFacts: () => Readonly<Record<string, string>>
  readonly modem: ModemHours | undefined
  readonly link: (now: MonoSeconds) => LinkWord
  /** The bytes of the day are not used up. */
  readonly mayCostBytes: () => boolean
  /** What the sampling plan has come to, where there is one. */
  readonly step: () => SamplingStep | undefined
}

/** A stop waits so long for messages that are on their way: one that is not told by then may come once more. */
const landSeconds = 2

/** Makes notices of the alert lines and hands them to the delivery; nobody is told before the line is safe. */
export class DeliveryWatch implements Asked {
  private readonly delivery: Delivery
  private readonly sim: SimWatch
  private readonly talk: ModemTalk | undefined
  /** The newest alert line of each rule. */
  private readonly newest = new Map<string, EventLine>()
  /** Lines written in this step, not told yet. */
  private untold: EventLine[] = []
  /** Attempts take minutes: they are not waited for with the work on the disk. */
  private readonly works = new InFlight()
  private isEnding = false

  constructor(
    { delivery, place, templates, sim }: TellingOptions,
    ports: TellingPorts,
    private readonly hooks: DeliveryHooks,
  ) {
    const { station, group, storeId } = hooks
    this.sim = new SimWatch(sim ?? {}, place.standardOffsetMinutes, hooks.faults, hooks.utcAt)
    const utcNow = (): UtcMillis | undefined => hooks.utcAt(hooks.mono())
    const wording = new Wording(
      { station, teller: 'station', group, place, ...(templates ? { templates } : {}) },
      utcNow,
    )
    this.delivery = new Delivery(
      { ...delivery, storeId },
      {
        boot: hooks.boot,
        ways: ports.ways,
        compose: (notice, way, recipient, telling) => wording.compose(notice, way, recipient, telling),
        event: hooks.event,
        safe: hooks.whenSafe,
        utcAt: hooks.utcAt,
        watchTime: (utc) => wording.watch.at(utc),
        mono: hooks.mono,
        track: (work) => this.works.track(work),
        random: ports.random,
        faults: hooks.faults,
        wantLink: (priority) => this.wantLink(priority),
        rules: hooks.rules,
        dailyFacts: hooks.dailyFacts,
      },
    )
    this.talk = ports.modem && this.talkWith(ports.modem)
  }

  private talkWith(modem: ModemPorts): ModemTalk {
    const { mono, faults, link } = this.hooks
    return new ModemTalk(modem, {
      ...{ mono, faults, link },
      isUp: (now) => this.hooks.modem?.isUp(now) !== false,
      mayBeAnswered: () => this.mayBeAnswered,
      heard: (text) => this.delivery.heard(text, mono()),
      track: (work) => this.works.track(work),
    })
  }

  /** The newest change of each rule is told again: a kill may have come between its line and that of its delivery. */
  restore({ lines, changes }: FoundDelivery, now: MonoSeconds): void {
    this.delivery.restore(
      lines.filter(({ name }) => name !== 'alert'),
      now,
    )
    const raised = changes.filter(({ details }) => details.state === 'raised')
    for (const line of [...raised, ...lines])
      if (line.name === 'alert') this.newest.set(line.details.rule, line)
    this.untold = [...this.newest.values()].sort((a, b) => a.seq - b.seq)
  }

  /** Any event line that was written. */
  written(line: EventLine): void {
    if (line.name !== 'alert') return
    this.newest.set(line.details.rule, line)
    this.untold.push(line)
  }

  /** With each pull; does nothing most of the time. */
  step(now: MonoSeconds): void {
    if (this.isEnding) return
    if (this.untold.length > 0) this.tellAll(now)
    this.delivery.step(now)
    this.sim.step(now)
    this.talk?.step(now)
  }

  private tellAll(now: MonoSeconds): void {
    const lines = this.untold
    this.talk?.askSoon(now)
    this.untold = []
    for (const line of lines) {
      const notice = noticeOf(line)
      this.delivery.tell(notice, now)
      if (this.delivery.isWaiting) this.wantModem(notice.priority, now)
    }
  }

  private get mayBeAnswered(): boolean {
    const { rules } = this.status()
    return rules.some(({ state, acknowledgedBy }) => state === 'raised' && acknowledgedBy === undefined)
  }

  // ---- link on demand ---------------------------------------------------------------------------------------------------

  private wantModem(priority: Priority, now: MonoSeconds): void {
    const { mayCostBytes, modem, step } = this.hooks
    if (mayCostBytes()) modem?.want(now, mostLinkSeconds(priority, step()))
  }

  private wantLink(priority: Priority): boolean {
    const { modem, mono } = this.hooks
    if (!modem) return true
    this.wantModem(priority, mono())
    return modem.isUp(mono())
  }

  // ---- what others ask ----------------------------------------------------------------------------------------------------

  acknowledge(what: string, by: string): Answer {
    return this.delivery.acknowledge(what, by, this.hooks.mono())
  }

  mute(what: string, forSeconds: number, by: string): Answer {
    return this.delivery.mute(what, forSeconds, by, this.hooks.mono())
  }

  beginTest(alias: string): boolean {
    return this.delivery.beginTest(alias, this.hooks.mono())
  }

  get testResult(): TestResult {
    return this.delivery.testResult
  }

  status(now = this.hooks.mono()): DeliveryStatus {
    return this.delivery.status(now)
  }

  /** How the modem stood when it was last asked. */
  modemStanding(now: MonoSeconds): ModemStanding | undefined {
    return this.talk?.standing(now)
  }

  counts(): StageCounts {
    return this.delivery.counts()
  }

  /** For the checkpoint: canonical texts. */
  save(): readonly string[] {
    return [...this.delivery.kept(), ...this.newest.values()].map((line) => canonicalLine(line))
  }

  get busy(): boolean {
    return this.works.any
  }

  settled(): Promise<void> {
    return this.works.settled()
  }

  /** What is on its way now has ended, or enough time has passed; nothing new is begun. */
  async landed(after: (seconds: number) => Promise<void>): Promise<void> {
    this.isEnding = true
    if (this.works.any) await Promise.race([this.works.now(), after(landSeconds)])
  }
}

const priorities: readonly string[] = ['low', 'normal', 'high'] satisfies Priority[]

export function noticeOf({ seq, details }: EventLine): Notice {
  const { rule = '', state, priority = 'normal', since = '', ...facts } = details
  const at = parseUtc(since)
  return {
    id: String(seq),
    rule,
    state: state === 'raised' ? 'raised' : state === 'word' ? 'word' : 'over',
    priority: priorities.includes(priority) ? (priority as Priority) : 'normal',
    ...(at === undefined ? {} : { since: at }),
    facts,
  }
}
