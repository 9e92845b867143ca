import type { KeyWish, Seal } from '../store/store.js'
import {
  addSeconds,
  done,
  good,
  localDay,
  RangeSet,
  type LocalDay,
  type MonoSeconds,
  type Outcome,
} from '../terms/terms.js'
import { diskCodes } from './disk-codes.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Parts } from './parts.js'
import { SigningKeys, type KeyChanged } from './signing-keys.js'

const hourSeconds = 3600
const daySeconds = 86_400
/** A seal that could not be made, though lines can be written, is tried again after this. */
const retrySeconds = 600
/** An hour has come although its minute ended some milliseconds early. */
const slackSeconds = 1

/** What is kept over a restart; the lines say it too. */
export interface SealState {
  /** Up to these numbers lines are sealed, and a signature stands for them. */
  readonly sealed_to: number
  readonly signed_to: number
  /** Numbers of the files that were removed to make room. */
  readonly gone?: readonly [from: number, to: number]
}

/** As health and status tell it. */
export interface SealStanding extends SealState {
  readonly seal_age_s?: number
}

/**
 * Seals what the store holds, at each hour and, signed, at the day's end in local standard time; then makes room where the
 * disk is nearly full. Until the clock is trusted hours and days are those of monotonic time.
 */
export class Sealing {
  private dueAt: MonoSeconds
  private notBefore: MonoSeconds
  private signedAt: MonoSeconds
  private signedDay: LocalDay | undefined
  private readonly keys: SigningKeys
  private turn: Promise<unknown> = Promise.resolve()
  /** The first seal of each start is signed as well: whoever takes the card on its first day finds a signature. */
  private hasSigned = false
  private sealedAt: MonoSeconds | undefined
  private state: SealState = { sealed_to: 0, signed_to: 0 }

  constructor(
    private readonly options: StationOptions,
    private readonly ports: StationPorts,
    private readonly parts: () => Parts,
  ) {
    this.keys = new SigningKeys(ports, parts)
    const now = ports.clock.mono()
    this.dueAt = addSeconds(now, hourSeconds)
    this.notBefore = now
    this.signedAt = now
  }

  /** @param state what `save` gave before, or anything. */
  restore(state: unknown): void {
    const { sealed_to, signed_to, gone } = Object(state) as Partial<SealState>
    if (!Number.isSafeInteger(sealed_to) || !Number.isSafeInteger(signed_to)) return
    const range = RangeSet.parse([gone], 1)?.ranges()[0]
    this.state = { sealed_to: sealed_to!, signed_to: signed_to!, ...(range ? { gone: range } : {}) }
  }

  save(): SealState {
    return this.state
  }

  /** To be asked each minute. */
  isDue(now: MonoSeconds): boolean {
    return now >= this.notBefore && (now >= this.dueAt - slackSeconds || this.isDaysEnd(now))
  }

  /** Of the key that signs; undefined until it was asked for. */
  get keyFingerprint(): string | undefined {
    return this.keys.fingerprint
  }

  /** Brings everything to disk as a flush does, and seals it. A fault is one of the disk. */
  seal(now: MonoSeconds): Promise<Outcome<void>> {
    return this.inTurn(() => this.sealNow(now))
  }

  /** Another key signs from now on, this change first of all. Faults: key-given, key-lost, key-same, disk-*. */
  changeKey(now: MonoSeconds, wish: KeyWish): Promise<Outcome<KeyChanged & { readonly sealed: boolean }>> {
    return this.inTurn(async () => {
      const changed = await this.keys.change(now, wish)
      if (!changed.ok) return changed
      if (changed.value.in_force) this.hasSigned = false
      const sealed = await this.sealNow(now)
      return good({ ...changed.value, sealed: sealed.ok })
    })
  }

  /** What one key has begun to sign is signed before another one is in force. */
  private inTurn<T>(work: () => Promise<T>): Promise<T> {
    const turn = this.turn.then(work, work)
    this.turn = turn.catch(() => undefined)
    return turn
  }

  private async sealNow(now: MonoSeconds): Promise<Outcome<void>> {
    const signs = !this.hasSigned || this.isDaysEnd(now)
    const key = signs ? await this.keys.current(now) : undefined
    const made = await this.ports.store.seal(key)
    if (!made.ok) {
      this.notBefore = addSeconds(now, retrySeconds)
      return made
    }
    this.hasSigned ||= signs
    this.note(made.value, now)
    await this.removeOldest(now)
    return done
  }

  /** Seals what came since the last hour: a station that stops may not start again. */
  atStop(now: MonoSeconds): Promise<void> {
    return this.inTurn(async () => {
      const { store } = this.ports
      if (store.buffered === 0) await store.seal(await this.keys.current(now))
    })
  }

  /** Removes what is safe away, oldest first, while the disk is too full. @returns whether anything went */
  makeRoom(now: MonoSeconds): Promise<boolean> {
    return this.inTurn(() => this.removeOldest(now))
  }

  private async removeOldest(now: MonoSeconds): Promise<boolean> {
    const { store, freeBytes } = this.ports
    if (!freeBytes) return false
    const { faults, uplink } = this.parts()
    const received = (from: number, to: number): boolean => uplink?.isAway(from, to) ?? true
    const key = await this.keys.current(now)
    const made = await store.makeRoom({ received, key, event: this.keys.eventAt(now) })
    if (!made.ok) {
      faults.raise('room', made.fault, now)
      return false
    }
    const { gone, isShort } = made.value
    const newest = gone.at(-1)
    if (newest) this.state = { ...this.state, gone: [newest.from, newest.last] }
    faults.clear('room', ...diskCodes)
    if (isShort) faults.raise('room', { code: 'disk-short', detail: this.keptWords() }, now)
    else faults.clear('room', 'disk-short')
    return gone.length > 0
  }

  standing(now: MonoSeconds): SealStanding {
    const { state, sealedAt } = this
    return { ...state, ...(sealedAt === undefined ? {} : { seal_age_s: Math.round(now - sealedAt) }) }
  }

  private keptWords(): string {
    return this.parts().uplink
      ? 'more than 90 % are used, and what the collector has not confirmed stays'
      : 'more than 90 % are used, and the newest file stays'
  }

  private note(seals: readonly Seal[], now: MonoSeconds): void {
    if (this.isDaysEnd(now)) {
      this.signedAt = now
      this.signedDay = this.dayAt(now)
    }
    this.sealedAt = now
    this.dueAt = addSeconds(now, this.secondsToHour(now))
    const newest = seals.at(-1)
    if (!newest) return
    const signed = newest.signed ? { signed_to: newest.last } : {}
    this.state = { ...this.state, sealed_to: newest.last, ...signed }
  }

  private isDaysEnd(now: MonoSeconds): boolean {
    const day = this.dayAt(now)
    // A day whose beginning nobody saw is signed with the next.
    this.signedDay ??= day
    return day === undefined ? now - this.signedAt >= daySeconds - slackSeconds : day !== this.signedDay
  }

  private dayAt(now: MonoSeconds): LocalDay | undefined {
    const utc = this.parts().clock.at(addSeconds(now, slackSeconds))
    return utc === undefined ? undefined : localDay(utc, this.options.standardOffsetMinutes ?? 0)
  }

  /** To the next full hour of local standard time, so that the day's end is one of them. */
  private secondsToHour(now: MonoSeconds): number {
    const utc = this.parts().clock.at(addSeconds(now, slackSeconds))
    if (utc === undefined) return hourSeconds
    const local = utc / 1000 + (this.options.standardOffsetMinutes ?? 0) * 60
    return hourSeconds - (local % hourSeconds) + slackSeconds
  }
}
