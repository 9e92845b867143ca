import type { EventLine } from '../terms/terms.js'

/** Event line of a command that was taken: `key`, `number`, `by`, `do`. Synced before anything is done. */
export const commandLineName = 'command'

/** Keys that are remembered at most; operators are fewer, but keys are replaced over the years. */
const mostKeys = 1000

/** Gathers the highest number of each key: from the checkpoint and the lines behind it, or from all lines. */
export class CommandNumbers {
  readonly highest = new Map<string, number>()

  constructor(saved: Readonly<Record<string, number>> = {}) {
    for (const [key, number] of Object.entries(saved)) this.note(key, number)
  }

  add({ name, details }: EventLine): void {
    if (name === commandLineName && details.key !== undefined) this.note(details.key, Number(details.number))
  }

  private note(key: string, number: number): void {
    if (!Number.isSafeInteger(number) || number <= (this.highest.get(key) ?? 0)) return
    if (this.highest.size < mostKeys || this.highest.has(key)) this.highest.set(key, number)
  }
}

/** Undefined: it is none, and the lines are to be read. A checkpoint of an earlier release has none, and no such lines. */
export function savedNumbers(value: unknown): Record<string, number> | undefined {
  if (value === undefined) return {}
  if (typeof value !== 'object' || value === null) return undefined
  const entries = Object.entries(value)
  const isNumber = ([key, number]: [string, unknown]): boolean =>
    /^[0-9a-f]{64}$/.test(key) && Number.isSafeInteger(number)
  return entries.length <= mostKeys && entries.every(isNumber) ? (value as Record<string, number>) : undefined
}
