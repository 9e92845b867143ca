/** Where `explain` takes figures and records from: the store read anew for one name, or held for many. */
import type { StandardMillis } from '../averages/averages.js'
import {
  figuresFound,
  findAverages,
  gatherAverages,
  type AveragesFound,
  type AveragesOptions,
  type Gathering,
} from './averages.js'
import type { Opened } from './desk.js'
import type { Series } from './desk-series.js'
import { isIn, readPieces, type RecordPiece, type Stretch } from './explain-records.js'

export interface FigureSource {
  find(options: AveragesOptions): Promise<Opened<AveragesFound>>
  /** What touches a stretch, in order of time. */
  pieces(found: AveragesFound, series: Series, stretch: Stretch): Promise<Opened<readonly RecordPiece[]>>
}

export const readAnew: FigureSource = { find: findAverages, pieces: readPieces }

/** Names come in the order of time: so many days of records are read at a time, and no more are held. */
const heldMillis = 14 * 86_400_000

interface Held extends Stretch {
  readonly series: Series
  /** By hour, so that each is found without a look at all. */
  readonly byHour: ReadonlyMap<number, readonly RecordPiece[]>
}

/** Reads each store once for all figures of a channel, and its records once for each fortnight. For as long as nothing is written. */
export function readOnce(): FigureSource {
  const gatherings = new Map<string, Opened<Gathering>>()
  let held: Held | undefined
  return {
    async find(options) {
      const key = JSON.stringify({ ...options, from: undefined, to: undefined })
      const known = gatherings.get(key) ?? (await gatherAverages(options))
      gatherings.set(key, known)
      return known.ok ? figuresFound(known.value, options) : known
    },
    async pieces(found, series, stretch) {
      if (held?.series !== series || stretch.from < held.from || stretch.to > held.to) {
        const from = Math.floor(stretch.from / hourMillis) * hourMillis
        const read = await hold(found, series, { from, to: Math.max(stretch.to, from + heldMillis) })
        if (!read.ok) return read
        held = read.value
      }
      return { ok: true, value: within(held, stretch) }
    },
  }
}

const hourMillis = 3_600_000

async function hold(found: AveragesFound, series: Series, stretch: Stretch): Promise<Opened<Held>> {
  const read = await readPieces(found, series, stretch)
  if (!read.ok) return read
  const byHour = new Map<number, RecordPiece[]>()
  for (const one of read.value)
    for (const hour of hoursTouched(one.piece.from, one.piece.from + one.piece.seconds * 1000)) {
      const there = byHour.get(hour)
      if (there) there.push(one)
      else byHour.set(hour, [one])
    }
  return { ok: true, value: { ...stretch, series, byHour } }
}

function hoursTouched(from: StandardMillis, to: StandardMillis): number[] {
  const first = Math.floor(from / hourMillis)
  return Array.from({ length: Math.max(1, Math.ceil(to / hourMillis) - first) }, (_, i) => first + i)
}

const within = ({ byHour }: Held, stretch: Stretch): RecordPiece[] => [
  ...new Set(
    hoursTouched(stretch.from, stretch.to)
      .flatMap((hour) => byHour.get(hour) ?? [])
      .filter((one) => isIn(one, stretch)),
  ),
]
