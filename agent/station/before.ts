import type { Store } from '../store/store.js'
import {
  monoSeconds,
  type EventLine,
  type Line,
  type MonoSeconds,
  type RecordLine,
  type UtcMillis,
} from '../terms/terms.js'
import type { StationPorts } from './options.js'
import type { Parts } from './parts.js'
import type { Before } from './rests.js'

/** What is to be found out about one instrument. */
interface Sought {
  readonly name: string
  readonly slot?: string
  /** Absent: it is never cleaned. */
  readonly cleanEverySeconds?: number
}

interface Present {
  readonly boot: string
  readonly now: MonoSeconds
  /** Absent while the clock is not trusted: then earlier boots cannot be placed. */
  readonly utc?: UtcMillis
}

/** Looked at first; further back, a day and a bit, only when an instrument was silent all that time. */
const newestLines = [120, 1600]
/** Lines that an hour may hold: 60 records, and what comes between them. */
const linesPerHour = 70

/** When each instrument last gave readings and was last cleaned, from the newest lines of the store. */
async function whatWasBefore(store: Store, present: Present, sought: readonly Sought[]): Promise<Before[]> {
  const records = await lastRecords(store, sought)
  const longest = Math.max(0, ...sought.map((one) => one.cleanEverySeconds ?? 0))
  const cleanings = longest > 0 ? await newestCleanings(store, (longest / 3600) * linesPerHour) : []
  return sought.map((one) => {
    const record = records.findLast((r) => gaveReadings(r, one.slot))
    const cleaning = cleanings.findLast((event) => event.details.instrument === one.name)
    return {
      dataAt: record && placeIn(present, record, record.seconds),
      powered: record?.boot === present.boot,
      cleanedAt: cleaning && placeIn(present, cleaning, 0),
    }
  })
}

async function lastRecords(store: Store, sought: readonly Sought[]): Promise<RecordLine[]> {
  let records: RecordLine[] = []
  for (const count of newestLines) {
    const read = await store.newest(count)
    records = read.ok ? read.value.map(({ line }) => line).filter(isRecord) : []
    if (sought.every((one) => records.some((r) => gaveReadings(r, one.slot)))) break
  }
  return records
}

const isRecord = (line: Line): line is RecordLine => line.kind === 'record'

function gaveReadings(record: RecordLine, slot: string | undefined): boolean {
  const reason = slot === undefined ? 'no-data' : `no-data.${slot}`
  return (record.excluded[reason] ?? 0) < record.seconds - 0.5
}

async function newestCleanings(store: Store, lines: number): Promise<EventLine[]> {
  const found: EventLine[] = []
  await store.scan(
    (view) => {
      const line = view.line()
      if (line?.kind === 'event' && line.name === 'cleaning') found.push(line)
    },
    { kind: 'event', from: Math.max(1, store.safeSeq - Math.ceil(lines)) },
  )
  return found
}

/** The time in this boot at which a moment of any boot lies; undefined where only UTC could tell and does not. */
function placeIn(present: Present, line: RecordLine | EventLine, after: number): MonoSeconds | undefined {
  if (line.boot === present.boot) return monoSeconds(line.mono + after)
  if (present.utc === undefined || line.utc === undefined) return undefined
  return monoSeconds(present.now - (present.utc - line.utc) / 1000 + after)
}

/** Tells each instrument what the store knows of it from before this start. */
export async function restoreInstruments(
  parts: Parts,
  { clock, store, instruments }: StationPorts,
  notBefore: UtcMillis,
): Promise<void> {
  const { at, source } = clock.utc()
  const utc = source !== undefined && at >= notBefore ? at : undefined
  const sought = instruments.map(({ options: { name, slot, clean } }) => ({
    name,
    slot,
    cleanEverySeconds: clean?.everySeconds,
  }))
  const before = await whatWasBefore(store, { boot: parts.boot, now: clock.mono(), utc }, sought)
  parts.instruments.forEach((instrument, i) => instrument.restore(before[i]))
}
