import { RangeSet, readBoundedJson, type Facts, type Fault, type Range } from '../terms/terms.js'

/** What the collector has of one store on its disk, synced. */
export interface Receipt {
  /** Every line from 1 to this one; 0 for none. */
  readonly contiguous: number
  /** Beyond it, at most `mostRanges`, in order. */
  readonly ranges: readonly Range[]
}

export const mostRanges = 64
/** Stores of one station that a receipt names (a new card makes a new store). */
export const mostReceiptStores = 64
export const longestReceipt = 128 * 1024

/** A receipt of everything in a set; of more than 64 ranges beyond the first the newest stay out and are sent again. */
export function receiptOf(numbers: RangeSet): Receipt {
  const contiguous = numbers.contiguousFrom(1)
  return {
    contiguous,
    ranges: numbers
      .ranges()
      .filter(([from]) => from > contiguous)
      .slice(0, mostRanges),
  }
}

/** @param growing stores of the station that grow at the same time, which only one may */
export function receiptJson(stores: ReadonlyMap<string, Receipt>, growing?: readonly string[]): Uint8Array {
  const message = { v: 1, stores: Object.fromEntries(stores), ...(growing ? { growing } : {}) }
  return new TextEncoder().encode(JSON.stringify(message))
}

/** What the collector says of another store under this station's name; undefined where there is none. */
export function twinFault(payload: Uint8Array, storeId: string): Fault | undefined {
  const growing = parsed(payload)?.growing
  if (!Array.isArray(growing) || growing.length > mostReceiptStores || !growing.includes(storeId))
    return undefined
  const others = growing.filter(
    (id) => typeof id === 'string' && id !== storeId && /^[A-Za-z0-9-]{4,64}$/.test(id),
  )
  return others.length === 0
    ? undefined
    : { code: 'store-twins', detail: `this store and ${others.join(', ')}, as the collector sees it` }
}

/** The part of a receipt message that is about one store; undefined when there is none or it is not believable. */
export function readReceipt(payload: Uint8Array, storeId: string): Receipt | undefined {
  const message = parsed(payload)
  if (message?.v !== 1 || typeof message.stores !== 'object' || message.stores === null) return undefined
  if (Object.keys(message.stores).length > mostReceiptStores || !Object.hasOwn(message.stores, storeId))
    return undefined
  const receipt = (message.stores as Record<string, Partial<Receipt> | null>)[storeId]
  const ranges = RangeSet.parse(receipt?.ranges, mostRanges)
  if (!ranges || !Number.isSafeInteger(receipt?.contiguous) || receipt!.contiguous! < 0) return undefined
  return { contiguous: receipt!.contiguous!, ranges: ranges.ranges() }
}

/** Stores, each with its ranges of two numbers: three commas a range, and some for the rest. */
const receiptLimits = {
  bytes: longestReceipt,
  depth: 6,
  items: mostReceiptStores * (3 * mostRanges + 8) + 100,
} as const

function parsed(payload: Uint8Array): Facts | undefined {
  const read = readBoundedJson(payload, receiptLimits)
  return read.ok ? read.facts : undefined
}
