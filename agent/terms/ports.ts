/**
 * The ports: every way in which the program touches the world. hardware/ has the real ones, simulation/ and test/ have
 * virtual ones that pass the same contract tests. No stage calls the world but through these.
 */
import type { Outcome } from './outcome.js'
import type { MonoSeconds, UtcMillis } from './time.js'

/** What the station's clock says of UTC. Without a source nothing is known but the wall clock's opinion. */
export interface UtcView {
  /** The wall clock as it stands, right or wrong. */
  readonly at: UtcMillis
  /** Word of the source that vouches for it ('system', 'ntp', 'rtc'); absent: not trusted. */
  readonly source?: string
  /** Error bound of that source in seconds; meaningful only with a source. */
  readonly errorSeconds: number
}

export interface Clock {
  /** Identity of this boot of the board (UUID); mono starts anew with it. */
  readonly bootId: string
  mono(): MonoSeconds
  utc(): UtcView
  /** Resolves after so many seconds of monotonic time; at once for 0 or less. At most 2^31-1 ms. */
  after(seconds: number): Promise<void>
}

/** An open serial line, TCP line or recording. Pulled, never pushed. */
export interface ByteLine {
  /**
   * The bytes that have come since the last call, at most 4096; 'nothing' when there are none yet, 'gone' when the line
   * was lost (then only `close` is left). The view is valid until the next call.
   */
  readAvailable(): Uint8Array | 'nothing' | 'gone'
  /** Sends a command; refused on a closed or lost line (never kept for later). */
  write(bytes: Uint8Array): Promise<Outcome<void>>
  /** Releases the device; resolves when it is free again. Calling it twice is harmless. */
  close(): Promise<void>
}

/** Gives a fresh connection each time; faults are port-*, line-*. */
export interface LineFactory {
  /** For people: the path or address. */
  readonly name: string
  open(): Promise<Outcome<ByteLine>>
}

/** Faults are disk-*. Paths are relative to the folder the disk was made for, with '/' between names. */
export interface Disk {
  /** For people: the folder. */
  readonly name: string
  /** Names in a folder, files and folders, unsorted; none for a folder that does not exist. */
  list(folder: string): Promise<Outcome<string[]>>
  makeFolder(folder: string): Promise<Outcome<void>>
  size(path: string): Promise<Outcome<number>>
  /**
   * Bytes [from, from + length), fewer at the end of the file.
   * @param into where they may be put in place of new memory, at least `length` long
   */
  read(path: string, from: number, length: number, into?: Uint8Array): Promise<Outcome<Uint8Array>>
  /** Adds at the end, making the file if need be. May write fewer bytes than given: the value says how many. */
  append(path: string, bytes: Uint8Array): Promise<Outcome<number>>
  /** Resolves when what was appended would survive a power cut. */
  datasync(path: string): Promise<Outcome<void>>
  rename(from: string, to: string): Promise<Outcome<void>>
  truncate(path: string, length: number): Promise<Outcome<void>>
  remove(path: string): Promise<Outcome<void>>
  /** Makes names made, renamed or removed in a folder survive a power cut. */
  syncFolder(folder: string): Promise<Outcome<void>>
  freeBytes(): Promise<Outcome<number>>
  /** Room of the whole file system for us, used and free. */
  totalBytes(): Promise<Outcome<number>>
}

/** The three ways in which bytes come, by how a port is written in the settings. */
export function portKind(port: string): 'serial' | 'tcp' | 'file' {
  return port.startsWith('tcp://') ? 'tcp' : port.startsWith('file:') ? 'file' : 'serial'
}

export interface Message {
  readonly topic: string
  readonly payload: Uint8Array
  readonly retained: boolean
  /** MQTT 5 only: where an answer is to go, and what is to be sent back with it. */
  readonly responseTopic?: string
  readonly correlation?: Uint8Array
}

export interface PublishOptions {
  readonly retain: boolean
  /** As in `Message`; left out where the protocol has no place for them. */
  readonly responseTopic?: string
  readonly correlation?: Uint8Array
}

export interface BrokerSession {
  /** Resolves when the broker has acknowledged, or with a fault when it refused or the limit passed. QoS 1. */
  publish(topic: string, payload: Uint8Array, options: PublishOptions): Promise<Outcome<void>>
  /** Sends a last message if there is one, announces and closes; bounded in time. The will is not sent. */
  end(farewell?: Message): Promise<void>
  /** Bytes written to and read from the socket so far, TLS excluded. */
  bytes(): { sent: number; received: number }
  /** False when the broker would not give what `wish` asked for. */
  readonly hasWish?: boolean
  /** The same of `commands`. */
  readonly hearsCommands?: boolean
}

export interface BrokerEvents {
  /**
   * The message is acknowledged when this returns or, where it gives a promise, when that resolves (it must not reject), in the
   * order in which messages came. What was not acknowledged when the connection ended comes again with the next.
   */
  onMessage(message: Message): Promise<void> | void
  /** Called once when the connection ended without `end`. */
  onLost(detail: string): void
}

export interface Will {
  readonly topic: string
  readonly payload: Uint8Array
  readonly retain: boolean
  /** MQTT 5 only. */
  readonly delaySeconds: number
}

/** Each call is one attempt at one fresh connection; faults are broker-*. */
export interface Broker {
  readonly name: string
  connect(request: {
    readonly subscribe: readonly string[]
    /** A topic to hear where the broker allows it; its refusal is no fault. */
    readonly wish?: string
    /** One more such topic: that of commands. */
    readonly commands?: string
    readonly will?: Will
    readonly events: BrokerEvents
  }): Promise<Outcome<BrokerSession>>
}

/** A message to one person, as it goes out by one way. */
export interface OutgoingMessage {
  /** The same for each attempt and each way: by it a receiver tells a second attempt from a second message. */
  readonly key: string
  /** Number, mail address or URL. It is never written to a line, a log or health: there the recipient has an alias. */
  readonly to: string
  /** One line; ways without one leave it out. */
  readonly subject: string
  readonly text: string
  /** The same for programs, as JSON takes it. */
  readonly facts: Readonly<Record<string, unknown>>
}

/** What is known of a message that was taken. */
export interface Delivered {
  /** Messages it was paid as: parts of a long SMS, else 1. */
  readonly parts: number
  /** What the far side said, in words; without the recipient. */
  readonly words: string
}

/**
 * A way to a person. Each call is one attempt, bounded in time as a whole; nothing throws. Faults are sms-*, mail-*,
 * webhook-*; whether a later attempt makes sense, the catalogue says (`transient`).
 */
export interface MessageWay {
  readonly name: string
  send(message: OutgoingMessage): Promise<Outcome<Delivered>>
}

/** An SMS that came in. */
export interface IncomingText {
  readonly from: string
  readonly text: string
}

/** A small JSON value that survives a power cut: the new one or the one before, never half. */
export interface StateFile {
  load(): Promise<Outcome<unknown>>
  save(value: unknown): Promise<Outcome<void>>
}

/** Signs in the name of a station (Ed25519, RFC 8032). */
export interface SigningKey {
  /** The public half: 32 bytes as 64 lower-case hex digits. */
  readonly publicKey: string
  /** 64 bytes. */
  sign(bytes: Uint8Array): Uint8Array
}

/** The place beside the station's key where the next one waits until it is in force. Faults are disk-*. */
export interface NextKey {
  /** The key that waits; undefined where none does. */
  waiting(): Promise<Outcome<SigningKey | undefined>>
  /** The key that waits, made where none does: whole and safe before it is given. */
  prepare(): Promise<Outcome<SigningKey>>
  /** Puts it in the place of the one before, which is gone then: a power cut leaves one of the two. */
  adopt(): Promise<Outcome<void>>
  drop(): Promise<Outcome<void>>
}

export interface GaugeReading {
  readonly channel: string
  readonly value: Outcome<number>
}

/** Battery, sun, climate: slow values that are asked for. */
export interface Gauge {
  readonly name: string
  read(): Promise<readonly GaugeReading[]>
}

/** What the kernel says of the board's supply. */
export interface SupplySign {
  readonly name: string
  /** Fault: gauge-missing. */
  isLow(): Promise<Outcome<boolean>>
}

/** An owner's command: takes a sensor's supply away and gives it back, or helps a link. */
export interface PowerSwitch {
  readonly name: string
  /** Bounded in time. Faults: power-cycle-failed, link-step-failed. */
  cycle(): Promise<Outcome<void>>
}

/** An owner's command that gives a sensor or modem its supply, and one that takes it. */
export interface OnOffSwitch {
  readonly name: string
  /** Bounded in time. Fault: sensor-switch-failed. */
  set(on: boolean): Promise<Outcome<void>>
}

/** What ends the board and brings it back by its clock or a switch. */
export interface BoardPower {
  readonly name: string
  /** True once a trial has shown that the board wakes. A trial that has ended is judged with the first asking after it. */
  isProven(): Promise<boolean>
  /** Sets the alarm, looks that it stands, and runs the command that ends the board. Fault: wake-unproven. */
  offFor(seconds: number): Promise<Outcome<void>>
}

/** A calendar job's timer: says when a job is due, never runs it. UTC. */
export interface Scheduler {
  /** Calls `due` at each match of the five-field schedule until stopped. A throw here is a wrong schedule. */
  calendar(schedule: string, due: () => void): { stop(): void }
}

export interface Random {
  /** Uniform in [0, 1). */
  next(): number
}

export interface Log {
  info(words: string, details?: Readonly<Record<string, unknown>>): void
  warn(words: string, details?: Readonly<Record<string, unknown>>): void
}

/** A row by the names of its columns; each value is its text as the database writes it, or null. */
export type SqlRow = Readonly<Record<string, string | null>>

/** An open connection to a SQL database. Each call is bounded in time; faults are sql-*. After one only `end` is left. */
export interface SqlSession {
  /** One statement, or several without values. @returns the rows of the last */
  query(text: string, values?: readonly unknown[]): Promise<Outcome<readonly SqlRow[]>>
  /** Brings rows in, each in the text form of COPY with its line end. */
  copyIn(statement: string, rows: readonly string[]): Promise<Outcome<void>>
  end(): Promise<void>
}

/** Each call is one attempt at one fresh connection. */
export interface SqlDatabase {
  /** For people: where it is; without a secret. */
  readonly name: string
  connect(): Promise<Outcome<SqlSession>>
}
