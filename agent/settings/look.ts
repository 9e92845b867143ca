import type { KeyPath, Verdict } from './fault.js'
import { schemaAt } from './leaves.js'
import { settingsSchema } from './schema.js'

/** Something wrong at a path, before it has a line and a column. */
export interface Finding {
  readonly path: KeyPath
  readonly which: 'key' | 'value'
  readonly verdict: Verdict
  /** For a missing key: the keys any of which would have done. */
  readonly wants?: readonly string[]
}

export const atKey = (path: KeyPath, verdict: Verdict): Finding => ({ path, which: 'key', verdict })
export const atValue = (path: KeyPath, verdict: Verdict): Finding => ({ path, which: 'value', verdict })

export function valueAt(root: unknown, path: KeyPath): unknown {
  let at = root
  for (const step of path) {
    if (typeof at !== 'object' || at === null || !Object.hasOwn(at, step)) return undefined
    at = (at as Record<string | number, unknown>)[step]
  }
  return at
}

/**
 * A file that may be full of faults, seen through what is right in it: each look gives a value only if that value alone
 * passes. So checks of two keys together run even where a third is wrong, and all faults are told at once.
 */
export class Look {
  constructor(readonly root: unknown) {}

  has(path: KeyPath): boolean {
    return valueAt(this.root, path) !== undefined
  }

  text(path: KeyPath): string | undefined {
    const value = this.right(path)
    return typeof value === 'string' ? value : undefined
  }

  number(path: KeyPath): number | undefined {
    const value = this.right(path)
    return typeof value === 'number' ? value : undefined
  }

  /** The paths of a list's entries that are groups. */
  entries(path: KeyPath): KeyPath[] {
    const list = valueAt(this.root, path)
    if (!Array.isArray(list)) return []
    return list.map((_, i) => [...path, i]).filter((item) => this.keys(item).length > 0)
  }

  keys(path: KeyPath): string[] {
    const value = valueAt(this.root, path)
    return typeof value === 'object' && value !== null && !Array.isArray(value) ? Object.keys(value) : []
  }

  private right(path: KeyPath): unknown {
    const value = valueAt(this.root, path)
    const schema = schemaAt(settingsSchema, path)
    return schema?.safeParse(value).success ? value : undefined
  }
}
