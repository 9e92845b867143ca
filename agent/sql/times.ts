/** Times of lines by what the database knows of time checks, and the rows whose time a later check or withdrawal changes. */
import { TimeTable } from '../store/store.js'
import {
  done,
  good,
  monoSeconds,
  utcMillis,
  withdrawnName,
  type AnchorLine,
  type EventLine,
  type Line,
  type MonoSeconds,
  type Outcome,
  type SqlRow,
  type SqlSession,
  type UtcMillis,
} from '../terms/terms.js'
import { isTime, type RowTime, type StagedLine } from './rows.js'

/** Of each stretch of a boot the checks in it, and the nearest before and after it. */
const anchorsOf = `SELECT a.store_no, a.seq, a.boot, a.mono_s, extract(epoch FROM a.at) * 1000 AS at, a.source, a.error_s
  FROM unnest($1::int[], $2::text[], $3::float8[], $4::float8[]) AS w (store_no, boot, low, high)
  JOIN motepost.anchors a ON a.store_no = w.store_no AND a.boot = w.boot
   AND a.mono_s >= coalesce((SELECT max(b.mono_s) FROM motepost.anchors b
     WHERE b.store_no = w.store_no AND b.boot = w.boot AND b.mono_s <= w.low), '-infinity')
   AND a.mono_s <= coalesce((SELECT min(b.mono_s) FROM motepost.anchors b
     WHERE b.store_no = w.store_no AND b.boot = w.boot AND b.mono_s >= w.high), 'infinity')`
const allAnchorsOf = `SELECT store_no, seq, boot, mono_s, extract(epoch FROM at) * 1000 AS at, source, error_s
  FROM motepost.anchors WHERE store_no = ANY($1)`
const withdrawalsOf = 'SELECT * FROM motepost.withdrawals WHERE store_no = ANY($1)'

const isWithdrawal = (line: Line): line is EventLine => line.kind === 'event' && line.name === withdrawnName

/** A stretch of a boot of which rows may have another time now; `all`: also those that have a time of their own. */
export interface ChangedStretch {
  readonly storeNo: number
  readonly boot: string
  readonly from: number
  readonly to: number
  readonly all: boolean
}

interface Stretch {
  readonly storeNo: number
  readonly boot: string
  low: number
  high: number
}

/** What is known of time for the lines of one batch. */
export class BatchTimes {
  private readonly tables = new Map<number, TimeTable>()
  private readonly anchors = new Map<number, AnchorLine[]>()
  private readonly withdrawals = new Map<number, EventLine[]>()

  /** The checks in the batch count as well as those in the database. */
  static async load(session: SqlSession, batch: readonly StagedLine[]): Promise<Outcome<BatchTimes>> {
    const times = new BatchTimes()
    const stores = [...new Set(batch.map(({ storeNo }) => storeNo))]
    const withdrawn = await session.query(withdrawalsOf, [stores])
    if (!withdrawn.ok) return withdrawn
    for (const row of withdrawn.value) times.put(Number(row.store_no), withdrawalLine(row))
    for (const { storeNo, line } of batch) times.put(storeNo, line)
    for (const read of [await times.loadNear(session, batch), await times.loadAll(session)])
      if (!read.ok) return read
    return good(times)
  }

  private async loadNear(session: SqlSession, batch: readonly StagedLine[]): Promise<Outcome<void>> {
    const near = stretchesOf(batch, needsTable)
    if (near.length === 0) return done
    const lists = (['storeNo', 'boot', 'low', 'high'] as const).map((key) => near.map((one) => one[key]))
    return this.putAnchors(await session.query(anchorsOf, lists))
  }

  /** Of stores in which checks were withdrawn: there a line's own time may be wrong. */
  private async loadAll(session: SqlSession): Promise<Outcome<void>> {
    if (this.withdrawals.size === 0) return done
    return this.putAnchors(await session.query(allAnchorsOf, [[...this.withdrawals.keys()]]))
  }

  private putAnchors(found: Outcome<readonly SqlRow[]>): Outcome<void> {
    if (!found.ok) return found
    for (const row of found.value) this.put(Number(row.store_no), anchorLine(row))
    return done
  }

  private put(storeNo: number, line: Line): void {
    if (line.kind === 'anchor') listed(this.anchors, storeNo).push(line)
    else if (isWithdrawal(line)) listed(this.withdrawals, storeNo).push(line)
    else return
    const table = this.tables.get(storeNo) ?? new TimeTable()
    this.tables.set(storeNo, table)
    table.take(line)
  }

  of(storeNo: number, boot: string, mono: MonoSeconds, seq: number, said?: UtcMillis): RowTime | undefined {
    const table = this.tables.get(storeNo)
    if (said !== undefined && isTime(said) && !table?.isWithdrawn(boot, seq)) return { at: said, by: 'line' }
    const placed = table?.at(boot, mono)
    if (!placed || !isTime(placed.utc)) return undefined
    return { at: utcMillis(Math.round(placed.utc)), by: 'check', errorSeconds: placed.errorSeconds }
  }

  /** Of a line of the batch. */
  ofLine({ storeNo, line }: StagedLine): RowTime | undefined {
    if (line.kind !== 'record' && line.kind !== 'event') return undefined
    return this.of(storeNo, line.boot, line.mono, line.seq, line.utc)
  }

  /** After a batch in which time checks came or were withdrawn. */
  changed(batch: readonly StagedLine[]): ChangedStretch[] {
    const found = stretchesOf(batch, ({ kind }) => kind === 'anchor').map(({ storeNo, boot, low, high }) => {
      let [from, to] = [-Infinity, Infinity]
      for (const { boot: of, mono } of this.anchors.get(storeNo) ?? []) {
        if (of === boot && mono < low && mono > from) from = mono
        if (of === boot && mono > high && mono < to) to = mono
      }
      return { storeNo, boot, from, to, all: false }
    })
    return [...found, ...this.withdrawnBoots(batch)]
  }

  private withdrawnBoots(batch: readonly StagedLine[]): ChangedStretch[] {
    const news = new Set(batch.filter(({ line }) => isWithdrawal(line)).map(({ storeNo }) => storeNo))
    const came = new Set<Line>(batch.map(({ line }) => line))
    const boots = new Map<string, ChangedStretch>()
    for (const storeNo of this.withdrawals.keys())
      for (const anchor of this.anchors.get(storeNo) ?? [])
        if ((news.has(storeNo) || came.has(anchor)) && this.isWithdrawn(storeNo, anchor))
          boots.set(`${storeNo} ${anchor.boot}`, {
            ...{ storeNo, boot: anchor.boot, from: -Infinity, to: Infinity, all: true },
          })
    return [...boots.values()]
  }

  private isWithdrawn(storeNo: number, { seq }: AnchorLine): boolean {
    const all = this.withdrawals.get(storeNo) ?? []
    return all.some(({ details: { from, to } }) => Number(from) <= seq && seq <= Number(to))
  }
}

/** Its own time is missing, or it is a check beside which others of its boot count. */
const needsTable = (line: Line): boolean =>
  line.kind === 'anchor' || ((line.kind === 'record' || line.kind === 'event') && line.utc === undefined)

/** What of each boot the wanted lines span. */
function stretchesOf(batch: readonly StagedLine[], wanted: (line: Line) => boolean): Stretch[] {
  const found = new Map<string, Stretch>()
  for (const { storeNo, line } of batch) {
    if (!wanted(line) || !('boot' in line)) continue
    const { boot, mono } = line
    const key = `${storeNo} ${boot}`
    const known = found.get(key)
    if (!known) found.set(key, { storeNo, boot, low: mono, high: mono })
    else Object.assign(known, { low: Math.min(known.low, mono), high: Math.max(known.high, mono) })
  }
  return [...found.values()]
}

function listed<T>(map: Map<number, T[]>, key: number): T[] {
  const list = map.get(key) ?? []
  map.set(key, list)
  return list
}

const anchorLine = (row: SqlRow): AnchorLine => ({
  ...{ kind: 'anchor', seq: Number(row.seq), boot: String(row.boot), source: String(row.source) },
  ...{ mono: monoSeconds(Number(row.mono_s)), utc: utcMillis(Number(row.at)) },
  errorSeconds: Number(row.error_s),
})

const withdrawalLine = (row: SqlRow): EventLine => ({
  ...{ kind: 'event', name: withdrawnName, seq: Number(row.seq), boot: '', mono: monoSeconds(0) },
  details: { from: String(row.from_seq), to: String(row.to_seq) },
})
