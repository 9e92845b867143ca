/** The line of headings of a foreign log: which cell is the time, which ones are channels, and in what units. */
import { bare, channelLike, type ImportPlan } from './import-plan.js'
import { unitInHeading, type NamedUnit, type Scale } from './import-units.js'
import { WhereFilter } from './import-where.js'

export interface HeaderChannel {
  readonly key: string
  readonly at: number
  /** As typed, or as the log names its unit. */
  scale: Scale | undefined
  /** As the log names it, where nobody typed one. */
  named: NamedUnit | undefined
}

export interface Header {
  /** Without empty ones at the end. */
  readonly cells: number
  readonly timeAt: readonly number[]
  readonly channels: readonly HeaderChannel[]
  readonly text: string
  readonly where: WhereFilter | undefined
}

export const usualTimes = [
  'timestamp',
  'time',
  'datetime',
  'date_time',
  'date time',
  'date',
  'utc',
  'time (utc)',
]
/** The same with a word on whose time it is. */
const usualBare = new Set(
  usualTimes.flatMap((name) =>
    ['', 'utc', 'gmt', 'local'].flatMap((of) => [bare(name) + of, of + bare(name)]),
  ),
)

/** Undefined where a line lacks what is asked for. */
export function headerOf(names: readonly string[], text: string, plan: ImportPlan): Header | undefined {
  const at = (name: string): number => names.findIndex((one) => one.toLowerCase() === name.toLowerCase())
  const timeAt = plan.time ? plan.time.map(at) : [usualTimeAt(names, at)]
  if (timeAt.some((i) => i < 0)) return undefined
  const wanted =
    plan.map.size > 0
      ? [...plan.map].map(([column, key]) => ({ key, at: at(column) }))
      : likeChannels(names).filter((one) => !timeAt.includes(one.at))
  if (wanted.length === 0 || wanted.some((one) => one.at < 0)) return undefined
  const channels = wanted.map((one) => {
    const typed = plan.units.get(one.key)
    const named = typed ? undefined : unitInHeading(names[one.at], one.key)
    return { ...one, named, scale: typed ?? scaleOf(named) }
  })
  if ([...plan.where.keys()].some((column) => at(column) < 0)) return undefined
  const where = plan.where.size > 0 ? new WhereFilter(plan.where, at) : undefined
  return { cells: names.findLastIndex((name) => name !== '') + 1, timeAt, channels, text, where }
}

/** Our own unit needs no scale. */
export const scaleOf = (named: NamedUnit | undefined): Scale | undefined =>
  named && (named.scale.factor !== 1 || named.scale.addend !== 0) ? named.scale : undefined

function usualTimeAt(names: readonly string[], at: (name: string) => number): number {
  const usual = usualTimes.map(at).find((i) => i >= 0)
  return usual ?? names.findIndex((name) => usualBare.has(bare(name)))
}

/** Of two columns called alike the first. */
function likeChannels(names: readonly string[]): { key: string; at: number }[] {
  const found = new Map<string, number>()
  names.forEach((name, i) => {
    const key = channelLike(name)
    if (key !== undefined && !found.has(key)) found.set(key, i)
  })
  return [...found].map(([key, i]) => ({ key, at: i }))
}
