/** A store in a folder of the real disk, made of few words, and commands run on it with their output caught. */
import { appendFileSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { openFolder } from '../../agent/hardware/disk.js'
import { openArchive, openStore, readStoreFolder } from '../../agent/store/store.js'
import {
  columnSet,
  monoSeconds,
  utcMillis,
  type Column,
  type ColumnSet,
  type Line,
  type Outcome,
  type RecordLine,
  type Scaling,
} from '../../agent/terms/terms.js'

export const storeId = '11111111-2222-4333-8444-555555555555'
export const boot = '0a1b2c3d'
/** Midnight at UTC+1 of 3 March. */
export const midnight = Date.UTC(2026, 2, 2, 23)
export const hourMillis = 3_600_000
/** UTC milliseconds of so many hours after the midnight of the tests. */
export const at = (hours: number): number => midnight + hours * hourMillis
const minuteMillis = 60_000

const fine = (scaling: Scaling): Column[] => [
  { channel: 'pm2_5', statistic: 'mean', unit: 'ug/m3', decimals: 2, scaling, basis: 'measured' },
  { channel: 'pm2_5', statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
  { channel: 'pm2_5', statistic: 'max', unit: 'ug/m3', decimals: 1, scaling, basis: 'measured' },
]
const battery: Column[] = [
  { channel: 'battery_voltage', statistic: 'mean', unit: 'V', decimals: 3, basis: 'measured' },
  { channel: 'battery_voltage', statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
]

export const oneSet: ColumnSet = columnSet([...fine('atmospheric'), ...battery])
export const otherScaling: ColumnSet = columnSet([...fine('standard-particle'), ...battery])
/** Two sensors in one box, without maxima. */
export const pairSet: ColumnSet = columnSet(
  ['pm2_5.1', 'pm2_5.2'].flatMap((channel): Column[] => [
    { channel, statistic: 'mean', unit: 'ug/m3', decimals: 2, basis: 'measured' },
    { channel, statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
  ]),
)
const sets = [oneSet, otherScaling, pairSet]

export function value<T>(outcome: Outcome<T>): T {
  if (!outcome.ok) throw new Error(`${outcome.fault.code}: ${outcome.fault.detail}`)
  return outcome.value
}

export type Make = (seq: number) => Line

export interface MinuteOptions {
  readonly boot?: string
  readonly set?: ColumnSet
  readonly used?: number
  readonly max?: number
  readonly marked?: Readonly<Record<string, number>>
  /** The clock was not trusted. */
  readonly timeless?: boolean
}

/** The board was started at the midnight of the tests. */
const monoOf = (utc: number) => monoSeconds((utc - midnight) / 1000 + 100_000)

const noReasons: Readonly<Record<string, number>> = {}

export const minute =
  (utc: number, pm2_5: number, options: MinuteOptions = {}): Make =>
  (seq) => ({
    kind: 'record',
    seq,
    set: (options.set ?? oneSet).id,
    boot: options.boot ?? boot,
    mono: monoOf(utc),
    seconds: 60,
    planned: 60,
    ...(options.timeless ? {} : { utc: utcMillis(utc) }),
    values: [options.used === 0 ? NaN : pm2_5, options.used ?? 60, options.max ?? pm2_5, -12.5, 60],
    excluded: options.used === undefined ? noReasons : { 'no-data': 60 - options.used },

    marked: options.marked ?? {},
  })

/** A minute of two sensors. */
export const pairMinute =
  (utc: number, first: number, second: number, marked: Readonly<Record<string, number>> = {}): Make =>
  (seq) => ({
    ...(minute(utc, 0)(seq) as RecordLine),
    set: pairSet.id,
    values: [first, 60, second, 60],
    marked,
  })

/** So many minutes from a time on, all alike. */
export const minutes = (utc: number, count: number, pm2_5: number, options?: MinuteOptions): Make[] =>
  Array.from({ length: count }, (_, i) => minute(utc + i * minuteMillis, pm2_5, options))

export const event =
  (utc: number, name: string, details: Record<string, string>): Make =>
  (seq) => ({ kind: 'event', seq, boot, mono: monoOf(utc), utc: utcMillis(utc), name, details })

export const siteEntry = (utc: number, kind: string, details: Record<string, string> = {}): Make =>
  event(utc, 'sitelog', { kind, effect: 'none', who: 'somebody', ...details })

export const anchor =
  (utc: number, ofBoot = boot): Make =>
  (seq) => ({
    kind: 'anchor',
    seq,
    boot: ofBoot,
    mono: monoOf(utc),
    utc: utcMillis(utc),
    source: 'ntp',
    errorSeconds: 0.1,
  })

const made: string[] = []

export function newFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-desk-'))
  made.push(folder)
  return folder
}

export const removeFolders = (): void => {
  for (const folder of made.splice(0)) rmSync(folder, { recursive: true, force: true })
}

/** A station's store with these lines, numbered from 1. */
export async function storeOf(lines: readonly Make[], linesPerFile = 2048): Promise<string> {
  const folder = newFolder()
  const disk = value(await openFolder(folder, { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => storeId, station: 'hill', linesPerFile }))
  for (const [i, make] of lines.entries()) {
    const line = make(1)
    store.append(make, line.kind === 'record' ? sets.find(({ id }) => id === line.set) : undefined)
    if (i % 1000 === 999) value(await store.flush())
  }
  value(await store.flush())
  await disk.close()
  return folder
}

/** The same lines in a collector's archive, in another order of arrival. */
export async function archiveOf(storeFolder: string, order: <T>(lines: T[]) => T[]): Promise<string> {
  const from = value(await openFolder(storeFolder, { create: false }))
  const read = value(await readStoreFolder(from))
  const lines = value(await read.reader.lines(0, 1e9)).map(({ line, text }) => ({ seq: line.seq, text }))
  const folder = newFolder()
  const disk = value(await openFolder(folder, { create: true }))
  const archive = value(await openArchive({ disk, storeId, station: 'hill', linesRange: 512 }))
  for (const line of order(lines)) value(await archive.add([line], sets))
  value(await archive.sync())
  await disk.close()
  return folder
}

export const linesFilesOf = (folder: string): string[] =>
  readdirSync(folder)
    .filter((name) => name.startsWith('lines-'))
    .sort()
    .map((name) => join(folder, name))

/** Changes the text of a file as an accident would. */
export function spoil(file: string, change: (text: string) => string): void {
  writeFileSync(file, change(readFileSync(file, 'utf8')))
}

export const appendText = (file: string, text: string): void => appendFileSync(file, text)

export interface Ran {
  readonly code: number
  readonly out: string
  readonly err: string
}

/** Runs a command in this process and catches what it prints; in wide lines, so that a sentence stands in one. */
export async function ran(work: () => Promise<number>, columns = '161'): Promise<Ran> {
  const texts = { out: '', err: '' }
  const { stdout, stderr } = process
  const [outWrite, errWrite] = [stdout.write, stderr.write]
  const into =
    (which: 'out' | 'err') =>
    (text: string | Uint8Array, then?: unknown): boolean => {
      texts[which] += String(text)
      if (typeof then === 'function') then()
      return true
    }
  const columnsBefore = process.env.COLUMNS
  process.env.COLUMNS = columns
  stdout.write = into('out')
  stderr.write = into('err')
  try {
    return { code: await work(), ...texts }
  } finally {
    if (columnsBefore === undefined) delete process.env.COLUMNS
    else process.env.COLUMNS = columnsBefore
    stdout.write = outWrite
    stderr.write = errWrite
  }
}
