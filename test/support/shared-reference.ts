/** Check values and open data that lie beside the repository; tests that need them say so when they are not there. */
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { gunzipSync } from 'node:zlib'

const shared = join(import.meta.dirname, '../../../shared')

export interface AirCheck {
  readonly id: string
  readonly topic: string
  // Each topic has inputs and expectations of its own; the tests take them apart.
  // eslint-disable-next-line @typescript-eslint/no-explicit-any
  readonly inputs: any
  // eslint-disable-next-line @typescript-eslint/no-explicit-any
  readonly expected: any
  readonly tolerance: number
  readonly source: string
}

/** Undefined, with a word on the console, when the file is not there. */
export function sharedJson<T>(name: string): T | undefined {
  const file = join(shared, name)
  if (existsSync(file)) return JSON.parse(readFileSync(file, 'utf8')) as T
  console.info(`skipped: ../shared/${name} is not here`)
  return undefined
}

export const sharedPath = (name: string): string => join(shared, name)

export const sharedText = (name: string): string =>
  gunzipSync(readFileSync(join(shared, name))).toString('utf8')

/** Absolute up to 1, relative above, as the reference says. */
export function isClose(value: unknown, wanted: unknown, tolerance: number): boolean {
  if (typeof wanted !== 'number') return Object.is(value ?? null, wanted)
  return typeof value === 'number' && Math.abs(value - wanted) <= tolerance * Math.max(1, Math.abs(wanted))
}

/** Keys of `wanted` whose value differs, as 'key: 1 for 2': empty when all agree. */
export function differences(
  given: Readonly<Record<string, unknown>>,
  wanted: Readonly<Record<string, unknown>>,
  tolerance: number,
): string[] {
  return Object.entries(wanted).flatMap(([key, value]) => {
    const pairs: [unknown, unknown][] = Array.isArray(value)
      ? value.map((item, i) => [(given[key] as unknown[] | undefined)?.[i], item])
      : [[given[key], value]]
    const same = Array.isArray(value) ? (given[key] as unknown[])?.length === value.length : true
    return same && pairs.every(([a, b]) => isClose(a, b, tolerance))
      ? []
      : [`${key}: ${JSON.stringify(given[key])} for ${JSON.stringify(value)}`]
  })
}
