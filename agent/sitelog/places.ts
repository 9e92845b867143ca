/** Deployments, units and boundaries, from entries in the order of happening. */
import type { UtcMillis } from '../terms/terms.js'
import { doubt, slotKey, type Doubt, type Placed } from './placed.js'

/** From 'set up' to 'removed' at one place; a move to another place ends one and begins the next. */
export interface Deployment {
  readonly place: string
  readonly from: UtcMillis
  /** Absent: still there. */
  readonly to?: UtcMillis
  /** Numbers of the entries that began and ended it. */
  readonly begunBy: number
  readonly endedBy?: number
}

/** One physical device in one slot. */
export interface Unit {
  readonly slot?: string
  readonly serial: string
  /** Absent: it was there before the first entry about this slot. */
  readonly from?: UtcMillis
  /** Absent: still there. */
  readonly to?: UtcMillis
}

/** A figure must not cross this without saying so. */
export interface Boundary {
  readonly what: 'set-up' | 'removed' | 'moved' | 'unit'
  /** The old state ends here, the new one begins at `until`; the same where it took no time. */
  readonly at: UtcMillis
  readonly until: UtcMillis
  /** Absent: for every slot. */
  readonly slot?: string
  readonly words: string
  readonly number: number
}

type Open<T> = { -readonly [K in keyof T]: T[K] }

export function deploymentsOf(placed: readonly Placed[]): { list: Deployment[]; doubts: Doubt[] } {
  const list: Open<Deployment>[] = []
  const doubts: Doubt[] = []
  let open: Open<Deployment> | undefined
  const end = (at: UtcMillis, by: number) => {
    if (open) Object.assign(open, { to: at, endedBy: by })
    open = undefined
  }
  for (const { entry, from, to, number } of placed) {
    const isMove = entry.kind === 'moved' && entry.place !== undefined
    if (entry.kind !== 'set-up' && entry.kind !== 'removed' && !isMove) continue
    if (entry.kind === 'set-up' && open) doubts.push(doubt(number, 'still-set-up'))
    if (entry.kind !== 'set-up' && !open) doubts.push(doubt(number, 'nothing-set-up'))
    const begins = entry.kind === 'set-up' || (isMove && open !== undefined)
    end(from, number)
    if (begins) list.push((open = { place: entry.place!, from: to ?? from, begunBy: number }))
  }
  return { list, doubts }
}

export function unitsOf(placed: readonly Placed[]): { list: Unit[]; doubts: Doubt[] } {
  const list: Open<Unit>[] = []
  const doubts: Doubt[] = []
  const present = new Map<string, Open<Unit> | undefined>()
  for (const { entry, from, to, number } of placed) {
    const { kind, slot, oldSerial, newSerial } = entry
    if (kind !== 'swapped' && (kind !== 'set-up' || newSerial === undefined)) continue
    const inSlot = slot === undefined ? {} : { slot }
    const key = slotKey(slot)
    const before = present.get(key)
    if (before && kind === 'set-up' && before.serial === newSerial) continue
    if (oldSerial !== undefined && oldSerial !== before?.serial) {
      if (present.has(key)) doubts.push(doubt(number, 'other-unit'))
      else list.push({ ...inSlot, serial: oldSerial, to: from })
    }
    if (before) before.to = from
    const next = newSerial === undefined ? undefined : { ...inSlot, serial: newSerial, from: to ?? from }
    if (next) list.push(next)
    present.set(key, next)
  }
  return { list, doubts }
}

export function boundariesOf(placed: readonly Placed[]): Boundary[] {
  return placed.flatMap((one) => {
    const words = boundaryWords(one)
    if (!words) return []
    const { entry, from, to, number } = one
    // A set-up names a slot only for the unit in it; it begins a deployment of the whole station.
    const slot = entry.slot === undefined || words.what === 'set-up' ? {} : { slot: entry.slot }
    return { ...words, at: from, until: to ?? from, ...slot, number }
  })
}

function boundaryWords({ entry }: Placed): Pick<Boundary, 'what' | 'words'> | undefined {
  switch (entry.kind) {
    case 'set-up':
      return { what: 'set-up', words: `set up: ${entry.place}` }
    case 'removed':
      return { what: 'removed', words: 'removed' }
    case 'moved':
      return { what: 'moved', words: entry.place === undefined ? 'moved' : `moved: ${entry.place}` }
    case 'swapped':
      return {
        what: 'unit',
        words: `unit ${entry.oldSerial ?? 'not recorded'} out, ${entry.newSerial ?? 'none'} in`,
      }
    default:
      return undefined
  }
}
