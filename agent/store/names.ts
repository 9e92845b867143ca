/** Names of the files of a store, and their order. */

export const identityName = 'store.json'
export const damagedName = 'damaged.txt'
export const conflictsName = 'conflicts.txt'
/** An archive's only. */
export const indexName = 'index.txt'
/** Stores that a station left behind when its card came to another board; each in a folder of its id. */
export const earlierFolder = 'earlier'

/** What may be written beside a store, and by a check before there is one. */
export const besideNames: readonly string[] = [
  'sim.json',
  'sim.json.previous',
  'sim.json.tmp',
  'wake-proof.json',
  'wake-trial.json',
]

export interface LinesName {
  readonly name: string
  /** A station's file: number of its first line. An archive's: first number of its range. */
  readonly first: number
  /** An archive's file only: last number of its range. */
  readonly last?: number
  /** 1, or more where files before it could not be synced. */
  readonly generation: number
}

export const mostGenerations = 999

const twelve = (n: number): string => String(n).padStart(12, '0')

export function linesName(first: number, last: number | undefined, generation: number): LinesName {
  const range = last === undefined ? twelve(first) : `${twelve(first)}-${twelve(last)}`
  const name = `lines-${range}${generation > 1 ? `-${generation}` : ''}.csv`
  return { name, first, ...(last === undefined ? {} : { last }), generation }
}

const shape = /^lines-(\d{12,15})(?:-(\d{12,15}))?(?:-([2-9]|[1-9]\d{1,2}))?\.csv$/

export function readLinesName(name: string): LinesName | undefined {
  const m = shape.exec(name)
  if (!m) return undefined
  const read = linesName(Number(m[1]), m[2] === undefined ? undefined : Number(m[2]), Number(m[3] ?? 1))
  return read.name === name ? read : undefined
}

/** The lines files among the names of a folder, in the order in which they count. */
export function linesFiles(names: readonly string[]): LinesName[] {
  return names
    .map(readLinesName)
    .filter((file) => file !== undefined)
    .sort((a, b) => a.first - b.first || a.generation - b.generation)
}

/** The next name that is not taken; undefined when there is none. */
export function freshName(
  first: number,
  last: number | undefined,
  taken: ReadonlySet<string>,
): LinesName | undefined {
  for (let generation = 1; generation <= mostGenerations; generation++) {
    const file = linesName(first, last, generation)
    if (!taken.has(file.name)) return file
  }
  return undefined
}
