/**
 * Exact decimal arithmetic for figures that are cut or rounded. In binary 24 hours of 12.7 have the mean 12.699999… and
 * would be cut to 12.6; here a number is the decimal that a person reads, to nine places, and sums, means, cuts and
 * comparisons are done in whole numbers.
 */
export interface Exact {
  readonly top: bigint
  /** Always positive. */
  readonly bottom: bigint
}

/** What stands beyond this is noise of the arithmetic that made the number: stored means have two places. */
const places = 9
const scale = 10n ** BigInt(places)
/** `toFixed` writes larger numbers with an exponent; no concentration comes near. */
const largest = 1e15

export const isExactable = (value: number): boolean => Number.isFinite(value) && Math.abs(value) < largest

/** The decimal of a number, to nine places. Throws for what `isExactable` refuses: a bug of the caller. */
export function exact(value: number): Exact {
  if (!isExactable(value)) throw new RangeError(`no exact decimal for ${value}`)
  return { top: BigInt(value.toFixed(places).replace('.', '')), bottom: scale }
}

const absolute = (n: bigint): bigint => (n < 0n ? -n : n)

function commonDivisor(a: bigint, b: bigint): bigint {
  let [x, y] = [absolute(a), absolute(b)]
  while (y > 0n) [x, y] = [y, x % y]
  return x
}

function reduced(top: bigint, bottom: bigint): Exact {
  const divisor = commonDivisor(top, bottom)
  return divisor > 1n ? { top: top / divisor, bottom: bottom / divisor } : { top, bottom }
}

export function plus(a: Exact, b: Exact): Exact {
  if (a.bottom === b.bottom) return { top: a.top + b.top, bottom: a.bottom }
  return reduced(a.top * b.bottom + b.top * a.bottom, a.bottom * b.bottom)
}

export const times = (a: Exact, b: Exact): Exact => reduced(a.top * b.top, a.bottom * b.bottom)

export const whole = (n: number): Exact => ({ top: BigInt(n), bottom: 1n })

/** @param count a whole number above zero. */
export const dividedBy = (a: Exact, count: number): Exact => reduced(a.top, a.bottom * BigInt(count))

export const sumOf = (values: readonly Exact[]): Exact => values.reduce(plus, whole(0))

/** Undefined for no values. */
export const meanOf = (values: readonly Exact[]): Exact | undefined =>
  values.length === 0 ? undefined : dividedBy(sumOf(values), values.length)

/** Below zero, zero or above zero as a is below, equal to or above b. */
export function compare(a: Exact, b: Exact): number {
  const difference = a.top * b.bottom - b.top * a.bottom
  return difference < 0n ? -1 : difference > 0n ? 1 : 0
}

export const isAbove = (a: Exact, b: Exact): boolean => compare(a, b) > 0

/** The nearest binary number, to within one unit in the last place. */
export const toNumber = (a: Exact): number => Number(a.top) / Number(a.bottom)

/** Whole steps in a value, with what is left over; steps are 0.1, 1, 10 and the like. */
function stepsIn(a: Exact, step: Exact): { top: bigint; bottom: bigint } {
  return { top: a.top * step.bottom, bottom: a.bottom * step.top }
}

/** Digits beyond the step are dropped, not rounded: 35.49 in steps of 0.1 is 35.4, and -0.05 is 0. */
export function cut(a: Exact, step: Exact): Exact {
  const { top, bottom } = stepsIn(a, step)
  return { top: (top / bottom) * step.top, bottom: step.bottom }
}

/** To the nearest step, the middle upwards: 35.5 in steps of 1 is 36. */
export function rounded(a: Exact, step: Exact): Exact {
  const { top, bottom } = stepsIn(a, step)
  const doubled = 2n * top + bottom
  const quotient = doubled / (2n * bottom)
  const down = doubled < 0n && doubled % (2n * bottom) !== 0n ? quotient - 1n : quotient
  return { top: down * step.top, bottom: step.bottom }
}
