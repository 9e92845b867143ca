import type { FaultCode, MonoSeconds } from '../terms/terms.js'

/**
 * What the connection costs on the wire, all in: an estimate from counts, for no socket tells what lies below it. Packets
 * with 60 bytes of IP and TCP headers (52 over IPv4 with time stamps, 72 over IPv6), 1400 bytes of data each, an
 * acknowledgement for every second one; TLS 1.3 with a certificate chain of common length. Common practice, no source.
 */
const packet = 60
const segment = 1400
const tlsRecord = 22
const nameLookup = 250
/** Opening and closing TCP; CONNECT and SUBSCRIBE with their answers, each acknowledged. */
const connectionPackets = 7 + 8
const tlsHandshake = 5000 + 6 * packet
/** A try that nobody answers: a look-up and some SYN packets. */
const vainAttempt = nameLookup + 6 * packet
/** A small message, its answer, and the acknowledgement of both. */
const exchangePackets = 4

export interface LinkCost {
  readonly encrypted: boolean
  /** 0: no signs of life. */
  readonly keepaliveSeconds: number
}

export interface Traffic {
  connections: number
  vainAttempts: number
  /** Messages with their answers, both ways. */
  messages: number
  /** Bytes of MQTT, both ways. */
  bytes: number
  connectedSeconds: number
}

export function allInBytes(traffic: Traffic, { encrypted, keepaliveSeconds }: LinkCost): number {
  const exchange = exchangePackets * packet + (encrypted ? 2 * tlsRecord : 0)
  const connection = nameLookup + connectionPackets * packet + (encrypted ? tlsHandshake : 0)
  const signs = keepaliveSeconds > 0 ? traffic.connectedSeconds / keepaliveSeconds : 0
  const perByte = 1 + (1.5 * packet) / segment
  return (
    traffic.connections * connection +
    traffic.vainAttempts * vainAttempt +
    (traffic.messages + signs) * exchange +
    traffic.bytes * perByte
  )
}

const hours = 24

/** A sum over the last 24 hours, in steps of one. */
export class LastDay {
  private readonly byHour = new Float64Array(hours)
  private hour = 0

  add(now: MonoSeconds, amount: number): void {
    this.turn(now)
    this.byHour[this.hour % hours] += amount
  }

  total(now: MonoSeconds): number {
    this.turn(now)
    return this.byHour.reduce((sum, one) => sum + one, 0)
  }

  private turn(now: MonoSeconds): void {
    const hour = Math.floor(now / 3600)
    if (hour - this.hour >= hours) this.byHour.fill(0)
    else for (let h = this.hour + 1; h <= hour; h++) this.byHour[h % hours] = 0
    this.hour = Math.max(hour, this.hour)
  }

  /** From the oldest hour to this one, whole numbers. */
  save(): number[] {
    return Array.from({ length: hours }, (_, i) => Math.round(this.byHour[(this.hour + 1 + i) % hours]))
  }

  /** Takes what `save` gave as if no time had passed since: nobody knows how long the board was off. */
  restore(saved: unknown, now: MonoSeconds): void {
    if (!Array.isArray(saved) || saved.length !== hours) return
    if (!saved.every((one) => Number.isSafeInteger(one) && one >= 0)) return
    this.turn(now)
    saved.forEach((amount: number, i) => (this.byHour[(this.hour + 1 + i) % hours] += amount))
  }
}

/** What was spent of the daily budget, and what may still go. */
export class Meter {
  private readonly traffic: Traffic = {
    connections: 0,
    vainAttempts: 0,
    messages: 0,
    bytes: 0,
    connectedSeconds: 0,
  }
  private readonly spent = new LastDay()
  private readonly failed = new LastDay()
  private counted = 0
  private lookedAt: MonoSeconds | undefined

  /** @param budgetBytes a day; absent: no limit */
  constructor(
    private readonly cost: LinkCost,
    private readonly budgetBytes: number | undefined,
  ) {}

  connected(): void {
    this.traffic.connections++
  }

  /** An attempt that came to nothing; what got as far as a refusal cost as much as a connection. */
  attemptFailed(code: FaultCode, now: MonoSeconds): void {
    if (code === 'broker-unreachable' || code === 'broker-down') this.traffic.vainAttempts++
    else this.traffic.connections++
    this.failed.add(now, 1)
  }

  message(): void {
    this.traffic.messages++
  }

  /** Takes the counters of the link as they stand now. */
  look(now: MonoSeconds, bytes: { sent: number; received: number }, isConnected: boolean): void {
    if (isConnected && this.lookedAt !== undefined) this.traffic.connectedSeconds += now - this.lookedAt
    this.lookedAt = now
    this.traffic.bytes = bytes.sent + bytes.received
    const all = allInBytes(this.traffic, this.cost)
    this.spent.add(now, all - this.counted)
    this.counted = all
  }

  /** 'all'; 'present': what is old waits, so that the rest of the day has its share; 'pressing': only alerts and signs of life. */
  allowance(now: MonoSeconds): 'all' | 'present' | 'pressing' {
    if (this.budgetBytes === undefined) return 'all'
    const spent = this.spent.total(now)
    if (spent < shareForOld * this.budgetBytes) return 'all'
    return spent < this.budgetBytes ? 'present' : 'pressing'
  }

  report(now: MonoSeconds): { last_24_h_kb: number; budget_kb?: number; failed_attempts_24_h: number } {
    const kilobytes = (bytes: number): number => Math.round(bytes / 100) / 10
    return {
      last_24_h_kb: kilobytes(this.spent.total(now)),
      ...(this.budgetBytes === undefined ? {} : { budget_kb: kilobytes(this.budgetBytes) }),
      failed_attempts_24_h: this.failed.total(now),
    }
  }

  /** So many attempts failed in 24 hours, or so much is spent, that the next should wait long. */
  isWorn(now: MonoSeconds): boolean {
    return this.failed.total(now) >= mostFailedADay || this.allowance(now) === 'pressing'
  }

  save(): { spent: number[]; failed: number[] } {
    return { spent: this.spent.save(), failed: this.failed.save() }
  }

  restore(saved: unknown, now: MonoSeconds): void {
    const { spent, failed } = Object(saved) as Record<string, unknown>
    this.spent.restore(spent, now)
    this.failed.restore(failed, now)
  }
}

/** Old lines go while less than this much of the budget is used; the rest is for what is measured and told meanwhile. */
const shareForOld = 0.5
const mostFailedADay = 150
