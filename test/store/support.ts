import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openStore, type Store, type StoredLine, type StoreOptions } from '../../agent/store/store.js'
import {
  columnSet,
  type ColumnSet,
  type Disk,
  type EventLine,
  type FaultCode,
  type Line,
  type MonoSeconds,
  type Outcome,
  type RecordLine,
  type UtcMillis,
} from '../../agent/terms/terms.js'

export const storeId = '11111111-2222-4333-8444-555555555555'
export const boot = '0a1b2c3d'

export const set: ColumnSet = columnSet([
  {
    channel: 'pm2_5',
    statistic: 'mean',
    unit: 'ug/m3',
    decimals: 2,
    scaling: 'atmospheric',
    basis: 'measured',
  },
  { channel: 'pm2_5', statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
])

export function value<T>(outcome: Outcome<T>): T {
  if (!outcome.ok) throw new Error(`${outcome.fault.code}: ${outcome.fault.detail}`)
  return outcome.value
}

export const codeOf = (outcome: Outcome<unknown>): FaultCode | 'ok' =>
  outcome.ok ? 'ok' : outcome.fault.code

export const open = async (disk: Disk, options: Partial<StoreOptions> = {}): Promise<Store> =>
  value(await openStore({ disk, newStoreId: () => storeId, station: 'hill', ...options }))

/** The record of minute `seq`: its value says its number, so that a line shows where it comes from. */
export const record = (seq: number): RecordLine => ({
  kind: 'record',
  seq,
  set: set.id,
  boot,
  mono: (seq * 60) as MonoSeconds,
  seconds: 60,
  planned: 60,
  utc: (Date.UTC(2026, 2, 1) + seq * 60_000) as UtcMillis,
  values: [(seq % 10_000) / 4, 60],
  excluded: {},
  marked: {},
})

export const note = (seq: number, text: string): EventLine => ({
  kind: 'event',
  seq,
  boot,
  mono: (seq * 60) as MonoSeconds,
  name: 'note',
  details: { text },
})

export function appendRecords(store: Store, count: number): void {
  for (let i = 0; i < count; i++) store.append(record, set)
}

/** A store of `count` flushed records on a disk in memory, as a power cut finds it. */
export async function written(count: number, options: Partial<StoreOptions> = {}): Promise<MemoryDisk> {
  const disk = new MemoryDisk()
  const store = await open(disk, options)
  appendRecords(store, count)
  value(await store.flush())
  return disk
}

export const all = async (store: { lines: Store['lines'] }): Promise<Line[]> =>
  value(await store.lines(0, Number.MAX_SAFE_INTEGER)).map(({ line }) => line)

export const seqs = (lines: readonly (Line | StoredLine)[]): number[] =>
  lines.map((line) => ('line' in line ? line.line.seq : line.seq))

export const range = (from: number, to: number): number[] =>
  Array.from({ length: to - from + 1 }, (_, i) => from + i)

/** Replaces a part of a file as a failing card would. */
export function damage(disk: MemoryDisk, name: string, from: string | RegExp, to: string): void {
  const text = disk.text(name)
  const changed = text.replace(from, to)
  if (changed === text) throw new Error(`${name} does not hold ${String(from)}`)
  disk.put(name, changed)
}

export const firstFile = 'lines-000000000001.csv'
