import {
  changeKey,
  handOverName,
  keyFingerprint,
  type ChangedKey,
  type KeyWish,
  type MakeEvent,
} from '../store/store.js'
import { bad, good, type Fault, type MonoSeconds, type Outcome, type SigningKey } from '../terms/terms.js'
import { diskCodes } from './disk-codes.js'
import type { StationPorts } from './options.js'
import type { Parts } from './parts.js'

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

export const changedFacts = ({ number, next, before, inForce, isVouchedFor }: ChangedKey): KeyChanged => ({
  ...{ number, key: keyFingerprint(next) },
  ...(before === undefined ? {} : { before: keyFingerprint(before) }),
  ...{ in_force: inForce !== undefined, vouched_for: isVouchedFor },
})

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

  /** Faults: key-given, key-lost, key-same, disk-*. */
  async change(now: MonoSeconds, wish: KeyWish): Promise<Outcome<KeyChanged>> {
    const { store, nextKey = bad('key-lost', 'this station signs nothing') } = this.ports
    const current = await this.current(now)
    const key = current ? good(current) : bad('key-lost', this.why?.detail ?? 'no key is there')
    const changed = await changeKey(store, key, nextKey, wish, this.eventAt(now))
    if (!changed.ok) return changed
    const { inForce } = changed.value
    if (inForce) {
      this.key = inForce
      this.parts().faults.clear('key', ...diskCodes)
    }
    return good(changedFacts(changed.value))
  }

  eventAt(now: MonoSeconds): MakeEvent {
    const { boot, clock } = this.parts()
    return (seq, details) => ({
      ...{ kind: 'event', seq, boot, mono: now, utc: clock.at(now), name: handOverName, details },
    })
  }
}
