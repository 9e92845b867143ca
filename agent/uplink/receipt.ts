import { RangeSet, type Range } from '../terms/terms.js'

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

export function receiptJson(stores: ReadonlyMap<string, Receipt>): Uint8Array {
  return new TextEncoder().encode(JSON.stringify({ v: 1, stores: Object.fromEntries(stores) }))
}

/** The part of a receipt message that is about one store; undefined when there is none or it is not believable. */
export function readReceipt(payload: Uint8Array, storeId: string): Receipt | undefined {
  if (payload.length > longestReceipt) return undefined
  const message = parsed(payload)
  if (message?.v !== 1 || typeof message.stores !== 'object' || message.stores === null) return undefined
  if (Object.keys(message.stores).length > mostReceiptStores || !Object.hasOwn(message.stores, storeId))
    return undefined
  const receipt = (message.stores as Record<string, Partial<Receipt> | null>)[storeId]
  const ranges = RangeSet.parse(receipt?.ranges, mostRanges)
  if (!ranges || !Number.isSafeInteger(receipt?.contiguous) || receipt!.contiguous! < 0) return undefined
  return { contiguous: receipt!.contiguous!, ranges: ranges.ranges() }
}

function parsed(payload: Uint8Array): Record<string, unknown> | undefined {
  try {
    const value: unknown = JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(payload))
    return typeof value === 'object' && value !== null ? (value as Record<string, unknown>) : undefined
  } catch {
    return undefined
  }
}
