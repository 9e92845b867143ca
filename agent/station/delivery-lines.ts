import { monoSeconds, parseLine, utcText, type EventLine } from '../terms/terms.js'
import type { LastChange } from './restart.js'

/** Lines from which it is known at a start what is to be told to whom. */
const names: ReadonlySet<string> = new Set(['alert', 'delivery', 'acknowledged', 'muted'])

/** Where no checkpoint says what was before, so many of the newest lines do. */
const mostLines = 5000

/** What a start finds. */
export interface FoundDelivery {
  /** In the order of their numbers. */
  readonly lines: readonly EventLine[]
  /** The newest change of each rule, as a line that may stand before all others. */
  readonly changes: readonly EventLine[]
}

/** Gathers those lines: what the checkpoint holds, and what the store holds behind it. */
export class DeliveryLines {
  private readonly saved: readonly EventLine[] | undefined
  private lines: EventLine[] = []

  /** @param saved of the checkpoint, up to the number */
  constructor(
    saved: unknown,
    private readonly savedUpTo: number,
  ) {
    this.saved = readSaved(saved)
  }

  add(line: EventLine): void {
    if (!names.has(line.name) || (this.saved && line.seq <= this.savedUpTo)) return
    this.lines.push(line)
    if (this.lines.length > 2 * mostLines) this.lines = this.lines.slice(-mostLines)
  }

  found(changes: ReadonlyMap<string, LastChange>): FoundDelivery {
    return { lines: [...(this.saved ?? []), ...this.lines], changes: [...changes.values()].map(lineOf) }
  }
}

function readSaved(saved: unknown): EventLine[] | undefined {
  if (!Array.isArray(saved)) return undefined
  const lines = saved.map((text) => (typeof text === 'string' ? parseLine(text, new Map()) : undefined))
  const isOurs = (line: (typeof lines)[number]): line is EventLine =>
    line?.kind === 'event' && names.has(line.name)
  return lines.every(isOurs) ? lines : undefined
}

/** What was raised before anybody was to be told has no line at hand: its number is lower than that of any that follows. */
function lineOf({ details, utc }: LastChange): EventLine {
  const since: Record<string, string> = utc === undefined ? {} : { since: utcText(utc) }
  const place = { seq: 1, boot: '00000000', mono: monoSeconds(0), utc }
  return { kind: 'event', ...place, name: 'alert', details: { ...since, ...details } }
}
