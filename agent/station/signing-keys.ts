import {
  handOver,
  handOverName,
  keyFingerprint,
  rotateKey,
  type MakeEvent,
  type Rotated,
} from '../store/store.js'
import { bad, good, type Fault, type MonoSeconds, type Outcome, type SigningKey } from '../terms/terms.js'
import { diskCodes } from './disk-codes.js'
import type { StationPorts } from './options.js'
import type { Parts } from './parts.js'

/** What somebody wants of the key that signs. */
export interface KeyWish {
  /** Public key that comes from outside, 64 hex digits: the present one hands over to it and signs on until it is there. */
  readonly to?: string
  /** A new key may be taken although the present one cannot be had to vouch for it. */
  readonly isLost?: boolean
}

/** Fingerprints are as `keyFingerprint` writes them. */
export interface KeyChanged {
  /** Of the line that says so. */
  readonly number: number
  readonly key: string
  /** Absent: nothing was signed yet. */
  readonly before?: string
  /** The new key signs from now on; otherwise it does as soon as it is put in place. */
  readonly in_force: boolean
  /** By the one before. */
  readonly vouched_for: boolean
}

/** The key in force, and how it gives way to the next. To be asked by one at a time. */
export class SigningKeys {
  private key: SigningKey | undefined
  /** Why it could not be had. */
  private why: Fault | undefined

  constructor(
    private readonly ports: StationPorts,
    private readonly parts: () => Parts,
  ) {}

  /** Of the key that signs, once it was asked for. */
  get fingerprint(): string | undefined {
    return this.key && keyFingerprint(this.key.publicKey)
  }

  /** Undefined where it cannot be had, which is told. */
  async current(now: MonoSeconds): Promise<SigningKey | undefined> {
    const { signingKey } = this.ports
    if (this.key || !signingKey) return this.key
    const key = await signingKey()
    const { faults } = this.parts()
    if (!key.ok) {
      this.why = key.fault
      faults.raise('key', key.fault, now)
      return undefined
    }
    faults.clear('key', ...diskCodes)
    return (this.key = key.value)
  }

  /** Faults: key-given, key-lost, disk-*. */
  async change(now: MonoSeconds, { to, isLost = false }: KeyWish): Promise<Outcome<KeyChanged>> {
    const { nextKey = bad('key-lost', 'this station signs nothing') } = this.ports
    const isOutside = to !== undefined && (nextKey.ok || nextKey.fault.code === 'key-given')
    if (!nextKey.ok && !isOutside) return nextKey
    const key = await this.current(now)
    if (!key && (to !== undefined || !isLost)) return bad('key-lost', this.why?.detail ?? 'no key is there')
    const event = this.eventAt(now)
    if (key && to !== undefined) return this.handOver(key, to, event)
    if (!nextKey.ok) return nextKey
    const rotated = await rotateKey(this.ports.store, key, nextKey.value, event)
    return rotated.ok ? good(this.taken(rotated.value, key !== undefined)) : rotated
  }

  private taken({ key, number, before }: Rotated, isVouchedFor: boolean): KeyChanged {
    this.key = key
    this.parts().faults.clear('key', ...diskCodes)
    const last = before === undefined ? {} : { before: keyFingerprint(before) }
    const fingerprint = keyFingerprint(key.publicKey)
    return { number, key: fingerprint, ...last, in_force: true, vouched_for: isVouchedFor }
  }

  private async handOver(key: SigningKey, to: string, event: MakeEvent): Promise<Outcome<KeyChanged>> {
    const number = await handOver(this.ports.store, key, to, event)
    if (!number.ok) return number
    const [next, before] = [keyFingerprint(to), keyFingerprint(key.publicKey)]
    return good({ number: number.value, key: next, before, in_force: false, vouched_for: true })
  }

  eventAt(now: MonoSeconds): MakeEvent {
    const { boot, clock } = this.parts()
    return (seq, details) => ({
      ...{ kind: 'event', seq, boot, mono: now, utc: clock.at(now), name: handOverName, details },
    })
  }
}
