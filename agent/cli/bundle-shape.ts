/** What of some facts goes into a support bundle: what a shape names, and nothing else. */

/**
 * 'number', 'yes-no' (null stays null), 'word' (a short text that the program itself makes), 'numbers' (every number in it, however
 * deep, under the names it has there; no text). A list has the shape of its items; '*' is the shape of all keys not named.
 */
export type Shape =
  'number' | 'yes-no' | 'word' | 'numbers' | readonly [Shape] | { readonly [key: string]: Shape }

const longestWord = 100
const mostItems = 200
const mostDepth = 6
/** Names of our own; whoever sends facts by another name is not us. */
const ownName = /^[a-z][a-z0-9_. -]{0,47}$/i

/** undefined where nothing of it is of the shape. */
export function picked(value: unknown, shape: Shape): unknown {
  if (value === null) return null
  if (shape === 'number') return typeof value === 'number' ? value : undefined
  if (shape === 'yes-no') return typeof value === 'boolean' ? value : undefined
  if (shape === 'word') return wordOf(value)
  if (shape === 'numbers') return numbersIn(value, mostDepth)
  if (isList(shape)) return listOf(value, shape[0])
  if (typeof value !== 'object' || Array.isArray(value)) return undefined
  const facts = Object.entries(value).flatMap(([key, one]) => {
    const of = Object.hasOwn(shape, key) ? shape[key] : ownName.test(key) ? shape['*'] : undefined
    const found = of === undefined ? undefined : picked(one, of)
    return found === undefined ? [] : [[key, found]]
  })
  return Object.fromEntries(facts)
}

const isList = (shape: Shape): shape is readonly [Shape] => Array.isArray(shape)

const listOf = (value: unknown, of: Shape): unknown[] | undefined =>
  Array.isArray(value)
    ? value.slice(0, mostItems).flatMap((one) => {
        const found = picked(one, of)
        return found === undefined ? [] : [found]
      })
    : undefined

const wordOf = (value: unknown): string | undefined =>
  typeof value === 'string' && value.length <= longestWord && /^[\x20-\x7e]*$/.test(value) ? value : undefined

function numbersIn(value: unknown, depth: number): unknown {
  if (typeof value === 'number' || typeof value === 'boolean' || value === null) return value
  if (depth === 0 || typeof value !== 'object') return undefined
  if (Array.isArray(value)) {
    const items = value.slice(0, mostItems).map((one: unknown) => numbersIn(one, depth - 1))
    return items.every((one) => one === undefined) ? undefined : items.map((one) => one ?? null)
  }
  const found = Object.entries(value).flatMap(([key, one]) => {
    const inside = ownName.test(key) ? numbersIn(one, depth - 1) : undefined
    return inside === undefined ? [] : [[key, inside] as const]
  })
  return found.length === 0 && Object.keys(value).length > 0 ? undefined : Object.fromEntries(found)
}
