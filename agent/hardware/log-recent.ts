/** The newest log entries in memory, for who helps the station: what each is about, without its details. */
import { faultCatalogue, type FaultCode } from '../terms/terms.js'

export interface RecentEntry {
  /** UTC text, by the clock of the board. */
  readonly at: string
  readonly level: 'info' | 'warn'
  /** Of a fault. */
  readonly code?: FaultCode
  /** Of a fault those of the catalogue; else what stands before the first colon: behind it are details. */
  readonly words: string
  /** Of an error of the program: where it happened, file:line:column, innermost first. */
  readonly where?: readonly string[]
}

/** An hour of a station in trouble, ten kilobytes. */
export const mostEntries = 100
const longestWords = 90
const mostPlaces = 12

export class RecentLog {
  private kept: RecentEntry[] = []

  get entries(): readonly RecentEntry[] {
    return this.kept
  }

  add(
    at: string,
    level: RecentEntry['level'],
    words: string,
    details: Readonly<Record<string, unknown>> = {},
  ) {
    const { code, stack } = details
    const fault =
      typeof code === 'string' && Object.hasOwn(faultCatalogue, code) ? (code as FaultCode) : undefined
    const places = typeof stack === 'string' ? placesIn(stack) : []
    this.kept.push({
      ...{ at, level },
      ...(fault === undefined ? {} : { code: fault }),
      words: fault === undefined ? words.split(':')[0].slice(0, longestWords) : faultWords(fault, words),
      ...(places.length === 0 ? {} : { where: places }),
    })
    if (this.kept.length > mostEntries) this.kept = this.kept.slice(-mostEntries)
  }
}

const faultWords = (code: FaultCode, words: string): string =>
  `${words.startsWith('over') ? 'over: ' : ''}${faultCatalogue[code].words}`

/** Names of our own files, and none of the folders they lie in. */
const placesIn = (stack: string): string[] =>
  [...stack.matchAll(/([\w-]+\.[jt]s):(\d+):(\d+)/g)]
    .slice(0, mostPlaces)
    .map(([, file, line, column]) => `${file}:${line}:${column}`)
