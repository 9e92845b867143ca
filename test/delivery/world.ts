import { Delivery, usualDelivery } from '../../agent/delivery/delivery.js'
import type {
  Composed,
  DeliveryOptions,
  DeliveryPorts,
  Notice,
  Recipient,
  Telling,
  WayName,
} from '../../agent/delivery/delivery.js'
import {
  bad,
  good,
  monoSeconds,
  utcMillis,
  type Delivered,
  type EventLine,
  type FaultCode,
  type MessageWay,
  type MonoSeconds,
  type OutgoingMessage,
  type Outcome,
} from '../../agent/terms/terms.js'

/** What a way does with the next messages; those after '-' are sent, or lost, without an answer that says so. */
export type Mode =
  | 'works'
  | 'fails'
  | 'final'
  | 'unsure-sent'
  | 'unsure-lost'
  | 'hangs-sent'
  | 'hangs-lost'
  | 'killed-sent'
  | 'killed-lost'

export interface Told {
  readonly at: number
  readonly alias: string
  readonly way: WayName
  readonly message: OutgoingMessage
  readonly code: string
  readonly rule: string
  readonly state: Notice['state']
  /** Changes that it tells of, by number, and the newest state of each rule. */
  readonly ids: readonly number[]
  readonly says: readonly Notice[]
  readonly telling: Telling
  readonly life: number
  readonly id: number
  /** The way said so, or the kill came before it could. */
  readonly isSure: boolean
}

export interface Unnoted {
  readonly ways: readonly WayName[]
  readonly isDiskFailed: boolean
}

const start = Date.parse('2026-03-02T12:00:00Z')
export const hour = 3600

export const anna: Recipient = {
  alias: 'anna',
  ways: [
    { way: 'sms', to: '+15550100', nextAfterSeconds: 1800 },
    { way: 'email', to: 'anna@example.org', nextAfterSeconds: 0 },
  ],
  least: 'low',
  dailyLine: [],
  mostSmsADay: 10,
  mayAnswer: true,
}
export const ben: Recipient = {
  alias: 'ben',
  ways: [{ way: 'sms', to: '+15550101', nextAfterSeconds: 0 }],
  quiet: { fromHour: 22, toHour: 7 },
  least: 'normal',
  dailyLine: [],
  mostSmsADay: 10,
  mayAnswer: false,
}

const codes: Partial<Record<Mode, FaultCode>> = {
  fails: 'sms-failed',
  final: 'sms-refused',
  'unsure-sent': 'sms-unsure',
  'unsure-lost': 'sms-unsure',
}
const isSent = (mode: Mode): boolean => mode === 'works' || mode.endsWith('-sent')

/** A made station around a delivery: a store that loses what is not synced, a clock, ways that fail as told, and telephones. */
export class World {
  now = 0
  private bootedAt = 0
  private boot = 1
  isClockTrusted = true
  isDiskWorking = true
  isLinkUp = true
  modes: Record<WayName, Mode> = { sms: 'works', email: 'works', webhook: 'works' }
  lines: EventLine[] = []
  synced = 0
  syncs = 0
  seq = 0
  readonly told: Told[] = []
  readonly raised: string[] = []
  isKillWanted = false
  /** What each kill has taken with it. */
  readonly kills: Unnoted[] = []
  private diskHasFailed = false
  life = 1
  dailyFacts: (() => Record<string, string>) | undefined
  parts = 1
  delivery: Delivery
  private kept: readonly EventLine[] = []
  readonly options: DeliveryOptions

  constructor(recipients: readonly Recipient[], options: Partial<DeliveryOptions> = {}) {
    this.options = { ...usualDelivery, storeId: 'made', recipients, ...options }
    this.delivery = new Delivery(this.options, this.ports())
    this.delivery.restore([], this.mono)
  }

  get mono(): MonoSeconds {
    return monoSeconds(this.now - this.bootedAt)
  }

  get bootWord(): string {
    return String(this.boot).padStart(8, '0')
  }

  utc(): number {
    return start + this.now * 1000
  }

  event = (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>): EventLine => {
    this.seq++
    const utc = this.isClockTrusted ? { utc: utcMillis(this.utc()) } : {}
    const line = {
      kind: 'event',
      seq: this.seq,
      boot: this.bootWord,
      mono: at,
      ...utc,
      name,
      details,
    } as const
    this.lines.push(line)
    return line
  }

  private ports(): DeliveryPorts {
    const { life } = this
    const isAlive = (): boolean => this.life === life
    const dead = <T>(): Promise<T> => new Promise<T>(() => undefined)
    return {
      boot: this.bootWord,
      ways: new Map((['sms', 'email', 'webhook'] as const).map((name) => [name, this.way(name, isAlive)])),
      compose: (notice, way, recipient, telling) => this.compose(notice, way, recipient, telling),
      event: (at, name, details) => {
        if (!isAlive()) throw new Error('a killed delivery writes')
        return this.event(at, name, details)
      },
      safe: () => {
        this.syncs++
        if (this.isDiskWorking) this.synced = this.lines.length
        return isAlive() ? Promise.resolve(this.isDiskWorking) : dead()
      },
      utcAt: (at) => (this.isClockTrusted ? utcMillis(start + (at + this.bootedAt) * 1000) : undefined),
      watchTime: (utc) => {
        const text = new Date(utc).toISOString()
        return { day: text.slice(0, 10), hour: Number(text.slice(11, 13)) }
      },
      mono: () => this.mono,
      track: (work) => void work,
      random: { next: () => 0.5 },
      faults: {
        raise: (where, { code }) => {
          const key = `${where} ${code}`
          if (isAlive() && !this.raised.includes(key)) this.raised.push(key)
        },
        clear: (where, ...gone) => {
          for (const code of gone) {
            const at = this.raised.indexOf(`${where} ${code}`)
            if (isAlive() && at >= 0) this.raised.splice(at, 1)
          }
        },
      },
      wantLink: () => this.isLinkUp,
      ...(this.dailyFacts ? { dailyFacts: this.dailyFacts } : {}),
    }
  }

  private compose(notice: Notice, way: WayName, recipient: Recipient, telling: Telling): Composed {
    const facts = { notice, telling, alias: recipient.alias, way }
    return {
      subject: notice.rule,
      text: telling.code,
      facts,
      ...(way === 'sms' ? { parts: this.parts } : {}),
    }
  }

  private way(name: WayName, isAlive: () => boolean): MessageWay {
    return {
      name,
      send: (message): Promise<Outcome<Delivered>> => {
        if (!isAlive()) return new Promise(() => undefined)
        const mode = this.modes[name]
        if (isSent(mode)) this.arrive(message)
        if (mode.startsWith('killed')) {
          this.isKillWanted = true
          this.modes[name] = 'works'
        }
        if (mode.startsWith('killed') || mode.startsWith('hangs')) return new Promise(() => undefined)
        const code = codes[mode]
        return Promise.resolve(code ? bad(code, 'made') : good({ parts: this.parts, words: 'taken' }))
      },
    }
  }

  private arrive(message: OutgoingMessage): void {
    const { notice, telling, alias, way } = message.facts as {
      notice: Notice
      telling: Telling
      alias: string
      way: WayName
    }
    const says = telling.summary ?? [notice]
    const ids = [...says, ...(telling.raised ? [telling.raised] : [])].map(({ id }) => Number(id))
    const { code } = telling
    const { rule, state } = notice
    const isSure = ['works', 'killed-sent'].includes(this.modes[way])
    const one = { at: this.now, alias, way, message, code, rule, state, ids, says, telling }
    this.told.push({ ...one, life: this.life, id: Number(notice.id), isSure })
  }

  /** Lets everything that was begun come to its end, as far as it can. */
  /** Time stands still while anything goes on but ways that hang. */
  async settle(): Promise<void> {
    let seen = -1
    while (seen !== this.lines.length + this.told.length) {
      seen = this.lines.length + this.told.length
      for (let i = 0; i < 24; i++) await null
    }
    if (this.isKillWanted) await this.kill(0, false)
  }

  /** A change of an alert: its line, and the telling. */
  async change(
    rule: string,
    state: 'raised' | 'over',
    priority: Notice['priority'] = 'normal',
  ): Promise<number> {
    const line = this.event(this.mono, 'alert', { rule, state, priority })
    this.tell(line)
    await this.settle()
    return line.seq
  }

  tell({ seq, details }: EventLine): void {
    const { rule, state, priority } = details
    const notice = { id: String(seq), rule, state, priority, facts: { value: '1' } } as Notice
    this.delivery.tell(notice, this.mono)
  }

  async pass(seconds: number, strideSeconds = 5): Promise<void> {
    const end = this.now + seconds
    while (this.now < end) {
      this.now = Math.min(end, this.now + strideSeconds)
      this.delivery.step(this.mono)
      await this.settle()
    }
  }

  /** Keeps the few lines that a checkpoint would hold. */
  async checkpoint(): Promise<void> {
    await this.settle()
    this.synced = this.lines.length
    this.kept = this.delivery.kept()
  }

  /**
   * The program ends at once; of the lines that were not synced only so many are still there.
   * @param isReboot the board lost its supply: the monotonic clock starts anew
   */
  async kill(unsyncedKept: number, isReboot: boolean, fromCheckpoint = false): Promise<void> {
    this.isKillWanted = false
    this.lines = this.lines.slice(0, this.synced + unsyncedKept)
    this.synced = this.lines.length
    this.kills.push(this.unnoted())
    this.seq += 64
    this.raised.length = 0
    this.life++
    this.diskHasFailed = !this.isDiskWorking
    if (isReboot) {
      this.boot++
      this.bootedAt = this.now
    }
    this.delivery = this.restored(fromCheckpoint)
    const newest = new Map(
      this.lines.filter(({ name }) => name === 'alert').map((line) => [line.details.rule, line]),
    )
    for (const line of newest.values()) this.tell(line)
    await this.settle()
  }

  /** Messages of this life that went out for sure, and no line that is left says so. */
  private unnoted(): Unnoted {
    const noted = new Set(
      this.lines
        .filter(({ details }) => details.state === 'delivered')
        .map(({ details: d }) => `${d.to} ${d.rule} ${d.notice}`),
    )
    const ways = this.told
      .filter(
        (one) => one.life === this.life && one.isSure && !noted.has(`${one.alias} ${one.rule} ${one.id}`),
      )
      .map(({ way }) => way)
    return { ways, isDiskFailed: this.diskHasFailed }
  }

  setDisk(works: boolean): void {
    this.isDiskWorking = works
    if (!works) this.diskHasFailed = true
  }

  restored(fromCheckpoint: boolean): Delivery {
    const delivery = new Delivery(this.options, this.ports())
    const after = this.kept.at(-1)?.seq ?? 0
    const lines = fromCheckpoint ? [...this.kept, ...this.lines.filter(({ seq }) => seq > after)] : this.lines
    delivery.restore(lines, this.mono)
    return delivery
  }

  toldTo(alias: string): Told[] {
    return this.told.filter((one) => one.alias === alias)
  }

  states(name: string): string[] {
    return this.lines
      .filter((line) => line.name === 'delivery' && line.details.to === name)
      .map(({ details }) => `${details.state} ${details.rule}`)
  }
}
