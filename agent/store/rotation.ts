/**
 * From one key of a station to the next. The next key is whole on the disk before a line names it, and the line is safe before
 * the key is used: after a power cut at any step a start finds either the old key and no such line, or the line and both keys.
 */
import {
  bad,
  done,
  good,
  type EventLine,
  type NextKey,
  type Outcome,
  type SigningKey,
} from '../terms/terms.js'
import {
  handOverDetails,
  handOverName,
  isHandedOver,
  readHandOver,
  unsignedDetails,
  type HandOver,
  type UnsignedReason,
} from './hand-over.js'
import { readGone, readSeal } from './seal.js'
import type { Store } from './store.js'

export type RotatableStore = Pick<Store, 'storeId' | 'append' | 'flush' | 'scan' | 'files' | 'lines'>

/** Makes the event line of now, with the details given. */
export type MakeEvent = (seq: number, details: Readonly<Record<string, string>>) => EventLine

export interface Rotated {
  readonly key: SigningKey
  /** Of the line that says so. */
  readonly number: number
  /** Public key that signed until now; absent: nothing was signed yet. */
  readonly before?: string
}

/** Writes that the key hands over to another one, and brings it to disk. @returns the number of the line. Faults: disk-* */
export async function handOver(
  store: RotatableStore,
  key: SigningKey,
  next: string,
  event: MakeEvent,
): Promise<Outcome<number>> {
  const details = (seq: number) => handOverDetails(store.storeId, seq, key, next)
  return writeSafely(store, (seq) => event(seq, details(seq)))
}

/**
 * Goes on to a new key. A fault (disk-*) leaves the old one in force; where the line is written later all the same, the next
 * start finds it and goes on then.
 * @param key the one in force; undefined: it is lost, and nobody vouches for the new one
 */
export async function rotateKey(
  store: RotatableStore,
  key: SigningKey | undefined,
  place: NextKey,
  event: MakeEvent,
): Promise<Outcome<Rotated>> {
  const next = await place.prepare()
  if (!next.ok) return next
  const { publicKey } = next.value
  const before = key ? good(key.publicKey) : await newestSigner(store)
  if (!before.ok) return before
  const named = key
    ? await handOver(store, key, publicKey, event)
    : await announceKey(store, before.value, publicKey, 'lost', event)
  if (!named.ok) return named
  const adopted = await place.adopt()
  if (!adopted.ok) return adopted
  return good({ key: next.value, number: named.value, ...(before.value ? { before: before.value } : {}) })
}

/** What somebody wants of the key that signs. */
export interface KeyWish {
  /** Public key that comes from outside, 64 hex digits: the present one hands over to it and signs on until it is there. */
  readonly to?: string
  /** A new key may be taken although the present one cannot be had to vouch for it. */
  readonly isLost?: boolean
}

export interface ChangedKey {
  /** Of the line that says so. */
  readonly number: number
  /** Public key, and the one that signed until now; absent: nothing was signed yet. */
  readonly next: string
  readonly before?: string
  /** It signs from now on; absent: it does as soon as it is put in place. */
  readonly inForce?: SigningKey
  readonly isVouchedFor: boolean
}

/**
 * Does what is wanted. Faults: those of the key and of the place, key-same, disk-*.
 * @param key the one in force, or why it cannot be had
 * @param place or why no key can be made here; one from outside (key-given) may still be handed over to
 */
export async function changeKey(
  store: RotatableStore,
  key: Outcome<SigningKey>,
  place: Outcome<NextKey>,
  { to, isLost = false }: KeyWish,
  event: MakeEvent,
): Promise<Outcome<ChangedKey>> {
  if (to !== undefined && (place.ok || place.fault.code === 'key-given'))
    return key.ok ? handOverOutside(store, key.value, to, event) : key
  if (!place.ok) return place
  if (!key.ok && !isLost) return key
  const rotated = await rotateKey(store, key.ok ? key.value : undefined, place.value, event)
  if (!rotated.ok) return rotated
  const { key: inForce, ...said } = rotated.value
  return good({ ...said, next: inForce.publicKey, inForce, isVouchedFor: key.ok })
}

async function handOverOutside(
  store: RotatableStore,
  key: SigningKey,
  next: string,
  event: MakeEvent,
): Promise<Outcome<ChangedKey>> {
  // No reader takes a line in which a key names itself.
  if (next === key.publicKey) return bad('key-same', next)
  const number = await handOver(store, key, next, event)
  return number.ok ? good({ number: number.value, next, before: key.publicKey, isVouchedFor: true }) : number
}

/** Writes that another key signs from now on, for which nobody vouches. @returns the number of the line. Faults: disk-* */
export async function announceKey(
  store: RotatableStore,
  before: string | undefined,
  next: string,
  reason: UnsignedReason,
  event: MakeEvent,
): Promise<Outcome<number>> {
  return writeSafely(store, (seq) =>
    event(seq, unsignedDetails(before === next ? undefined : before, next, reason)),
  )
}

async function writeSafely(
  store: RotatableStore,
  make: (seq: number) => EventLine,
): Promise<Outcome<number>> {
  // On a disk that takes nothing the line is not even made: it would come to it later, when nobody waits for it.
  const before = await store.flush()
  if (!before.ok) return before
  const seq = store.append(make)
  const flushed = await store.flush()
  if (!flushed.ok) return flushed
  const there = await store.lines(seq, seq)
  if (!there.ok) return there
  return there.value.length === 1 ? good(seq) : bad('disk-error', `line ${seq} is not there`)
}

/** At a start: a rotation that was cut off after its line was safe goes on, one that had not come so far is given up. */
export async function finishRotation(store: RotatableStore, place: NextKey): Promise<Outcome<void>> {
  const waiting = await place.waiting()
  if (!waiting.ok) return waiting
  if (!waiting.value) return done
  const { publicKey } = waiting.value
  const lines = await keyLinesOf(store)
  if (!lines.ok) return lines
  return lines.value.some(({ said }) => said.next === publicKey) ? place.adopt() : place.drop()
}

/** What is known of a key that is not the one which signed last. */
export interface KeyChange {
  /** The one that signed last. */
  readonly before: string
  /** A line says so already, without a signature. */
  readonly isTold: boolean
}

/** Whether a key is in force of which no line of the one before says that it may. Faults: disk-*. */
export async function keyChange(
  store: RotatableStore,
  key: SigningKey,
): Promise<Outcome<KeyChange | undefined>> {
  const signer = await newestSigner(store)
  if (!signer.ok) return signer
  const before = signer.value
  if (before === undefined || before === key.publicKey) return good(undefined)
  const lines = await keyLinesOf(store)
  if (!lines.ok) return lines
  const vouchedFor = new Set([before])
  for (const { said } of lines.value)
    if (vouchedFor.has(said.before ?? '') && isHandedOver(said, store.storeId)) vouchedFor.add(said.next)
  if (vouchedFor.has(key.publicKey)) return good(undefined)
  const isTold = lines.value.some(({ said }) => said.next === key.publicKey && said.before === before)
  return good({ before, isTold })
}

/** The key of the newest signature, looked for from the end. */
async function newestSigner(store: RotatableStore): Promise<Outcome<string | undefined>> {
  for (const { first, last } of [...store.files()].reverse()) {
    let found: string | undefined
    const range = { from: first, to: last }
    for (const [kind, read] of [
      ['seal', readSeal],
      ['gone', readGone],
    ] as const) {
      if (found !== undefined) break
      const scanned = await store.scan(
        (view) => void (found = read(view.text())?.signed?.publicKey ?? found),
        {
          ...range,
          kind,
        },
      )
      if (!scanned.ok) return scanned
    }
    if (found !== undefined) return good(found)
  }
  return good(undefined)
}

export interface NamedKey {
  readonly line: EventLine
  readonly said: HandOver
}

/** Every line about keys, in order. */
export async function keyLinesOf(
  store: Pick<Store, 'scan'>,
  range: { readonly from?: number; readonly to?: number } = {},
): Promise<Outcome<NamedKey[]>> {
  const found: NamedKey[] = []
  const scanned = await store.scan(
    (view) => {
      if (!view.text().includes(`,${handOverName},`)) return
      const line = view.line()
      const said = line?.kind === 'event' ? readHandOver(line) : undefined
      if (line?.kind === 'event' && said) found.push({ line, said })
    },
    { ...range, kind: 'event' },
  )
  return scanned.ok ? good(found) : scanned
}
