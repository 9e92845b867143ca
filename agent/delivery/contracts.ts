import type {
  EventLine,
  Fault,
  FaultCode,
  MessageWay,
  MonoSeconds,
  Random,
  UtcMillis,
} from '../terms/terms.js'

export type WayName = 'sms' | 'email' | 'webhook'
export type Priority = 'low' | 'normal' | 'high'

export interface RecipientWay {
  readonly way: WayName
  /** Number (+ and digits), mail address or URL. It never leaves the settings: in lines and words there is the alias. */
  readonly to: string
  /** So long after a message was due the next way is tried as well; no matter for the last one. */
  readonly nextAfterSeconds: number
}

export interface Recipient {
  /** Short name of the owner's choice: letters, digits, '-', '_'. */
  readonly alias: string
  /** In the order in which they are tried. */
  readonly ways: readonly RecipientWay[]
  /** Hours of watch time, from (included) to (not included), over midnight if need be: only high priority is told then. */
  readonly quiet?: { readonly fromHour: number; readonly toHour: number }
  /** What is of lower priority is not told to this recipient. */
  readonly least: Priority
  /** Ways by which the daily line goes; none: it does not. Each must be among `ways`. */
  readonly dailyLine: readonly WayName[]
  /** SMS in any 24 hours, parts counted. The last two are kept for high priority where there are more than four. */
  readonly mostSmsADay: number
  /** Whether an SMS from this recipient's number acknowledges and mutes. */
  readonly mayAnswer: boolean
}

/** What there is to tell; everything is text, so that it fits the details of a line. */
export interface Notice {
  /** Number in the store of the line that it comes from, as text. It rises within a rule. */
  readonly id: string
  readonly rule: string
  /** 'word': neither raised nor over, told once; a newer one of the same rule takes its place. */
  readonly state: 'raised' | 'over' | 'word'
  readonly priority: Priority
  /** When the condition began to hold. */
  readonly since?: UtcMillis
  /** At most 32, each at most 160 characters; what is more is cut. */
  readonly facts: Readonly<Record<string, string>>
}

/** What the message must say beside its notice. */
export interface Telling {
  /** To be shown: an answer with it acknowledges. The same for a raise and its end. */
  readonly code: string
  /** The raise that this end follows and that was never told: one message says both. */
  readonly raised?: Notice
  /** Raised so often without a quiet time between: this is told once, what follows is not until the quiet time has passed. */
  readonly chatters?: number
  /** Alias or other name of who has acknowledged the raise. */
  readonly acknowledgedBy?: string
  /** The last SMS that this recipient gets today. */
  readonly lastToday?: boolean
  /** Set for the rule 'summary': the newest notice of each rule that is told in this one message. */
  readonly summary?: readonly Notice[]
}

/** Who tells: a station of itself, or a collector of its group. */
export type TellerWord = 'station' | 'collector'

export interface Composed {
  readonly subject: string
  readonly text: string
  readonly facts: Readonly<Record<string, unknown>>
  /** SMS it takes; 1 where it is left out. */
  readonly parts?: number
}

export interface DeliveryOptions {
  /** Of the store: codes and keys are made from it. */
  readonly storeId: string
  /** At most `mostRecipients`, aliases unique. */
  readonly recipients: readonly Recipient[]
  /** Messages to one recipient in any hour, high priority counted apart; what is more becomes one summary. */
  readonly mostAnHour: number
  /** First and longest wait after a failed attempt; it doubles in between, with up to a quarter added at random. */
  readonly firstRetrySeconds: number
  readonly longestRetrySeconds: number
  /** Raised so often in a row, never quiet for `quietAfterSeconds`, a rule is told to chatter. */
  readonly chattersAfter: number
  readonly quietAfterSeconds: number
  /** Of watch time. */
  readonly dailyLineHour: number
  /** Cents of whatever money. */
  readonly smsCostCents?: number
}

export const usualDelivery = {
  mostAnHour: 6,
  firstRetrySeconds: 30,
  longestRetrySeconds: 3600,
  chattersAfter: 3,
  quietAfterSeconds: 7200,
  dailyLineHour: 7,
} as const

export interface DeliveryPorts {
  /** As lines name it. */
  readonly boot: string
  readonly ways: ReadonlyMap<WayName, MessageWay>
  readonly compose: (notice: Notice, way: WayName, recipient: Recipient, telling: Telling) => Composed
  /** Writes a line; it is on the disk only when `safe` says so. */
  readonly event: (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>) => EventLine
  /** Brings what was written so far to the disk; false when that failed. */
  readonly safe: () => Promise<boolean>
  /** Undefined while the clock is not trusted. */
  readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined
  /** Day ('YYYY-MM-DD') and hour (0 to 23) by the watch of the people at the site. */
  readonly watchTime: (utc: UtcMillis) => { readonly day: string; readonly hour: number }
  /** Monotonic time at this moment, for what ends between two steps. */
  readonly mono: () => MonoSeconds
  readonly track: (work: Promise<unknown>) => void
  readonly random: Random
  readonly faults: {
    raise(where: string, fault: Fault, now: MonoSeconds): void
    clear(where: string, ...codes: readonly FaultCode[]): void
  }
  /** Asked before each attempt by a way that needs a link; false: not now. May raise the link. */
  readonly wantLink?: (priority: Priority) => boolean
  /** Names of the rules that are watched: each may be muted before it was ever raised. */
  readonly rules?: ReadonlySet<string>
  /** What the daily line says; left out: no daily line. */
  readonly dailyFacts?: () => Readonly<Record<string, string>>
}

export interface Answer {
  readonly done: boolean
  readonly words: string
}

export interface WayTest {
  readonly way: WayName
  readonly delivered: boolean
  /** Without the number or address. */
  readonly words: string
}

export type TestResult = readonly WayTest[] | 'under way' | 'no such' | 'none'

export interface WaitingStatus {
  readonly rule: string
  readonly state: Notice['state']
  readonly waitsSeconds: number
  readonly attempts: number
  /** Why it waits, in words. */
  readonly because: string
}

export interface RecipientStatus {
  readonly alias: string
  readonly ways: readonly WayName[]
  readonly smsLastDay: number
  readonly mostSmsADay: number
  readonly messagesLastHour: number
  readonly waiting: readonly WaitingStatus[]
}

export interface RuleStatus {
  readonly rule: string
  readonly state: Notice['state']
  readonly priority: Priority
  readonly code: string
  readonly acknowledgedBy?: string
  readonly mutedForSeconds?: number
  readonly chatters: boolean
  /** Who has been told of the newest change. */
  readonly told: readonly string[]
}

export interface DeliveryStatus {
  readonly recipients: readonly RecipientStatus[]
  readonly rules: readonly RuleStatus[]
  readonly allMutedForSeconds?: number
  /** Of the month that the newest SMS went out in. */
  readonly sms: { readonly month?: string; readonly parts: number; readonly costCents?: number }
  /** SMS that came in and were not understood or not from a listed number. */
  readonly textsIgnored: number
}
