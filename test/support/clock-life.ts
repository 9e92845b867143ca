/** A station that lives through boots with clocks that lie, and what its store says of time afterwards, beside the truth. */
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import {
  BootOrder,
  boundedAt,
  readStoreFolder,
  TimeTable,
  type BoundedTime,
} from '../../agent/store/store.js'
import { liveUntil, type Moment } from '../../agent/simulation/driver.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { bootWord, monoSeconds, utcMillis, type Line, type RecordLine } from '../../agent/terms/terms.js'
import { startRig, ToldSensor, type Rig } from './station-rig.js'

export interface BootPlan {
  /** The board was off so long before. */
  readonly offSeconds: number
  readonly seconds: number
  /** How far the wall clock is off at the start. */
  readonly wallOffSeconds: number
  readonly source?: string
  /** What happens, by monotonic time. */
  readonly moments?: readonly (readonly [
    number,
    (at: { clock: VirtualClock; rig: Rig; truth: number }) => Promise<void> | void,
  ])[]
}

export interface JudgedRecord {
  readonly line: RecordLine
  readonly truth: number
  /** By own word or time check. */
  readonly placed?: number
  readonly errorSeconds: number
  readonly bound: BoundedTime
}

export interface Life {
  readonly records: readonly JudgedRecord[]
  readonly lines: readonly Line[]
  /** Of the last boot, at its end. */
  readonly codes: readonly string[]
  readonly at?: number
  readonly truth: number
}

export const value = (truth: number): number => 10 + (Math.floor(truth / 3_600_000) % 20)

/** @param begin true UTC at which the first boot begins */
export async function live(begin: number, boots: readonly BootPlan[]): Promise<Life> {
  const disk = new MemoryDisk()
  const zeros = new Map<string, number>()
  let truth = begin
  let codes: string[] = []
  let at: number | undefined
  for (const [i, boot] of boots.entries()) {
    truth += boot.offSeconds * 1000
    const zero = truth
    const bootId = `b007${String(i).padStart(4, '0')}-0000-4000-8000-000000000001`
    zeros.set(bootWord(bootId), zero)
    const { source } = boot
    const utc = utcMillis(zero + boot.wallOffSeconds * 1000)
    const clock = new VirtualClock({ bootId, mono: 0, utc, ...(source === undefined ? {} : { source }) })
    const sensor = new ToldSensor(clock, {
      frameAt: (n) => n * 5,
      pm2_5: (mono) => value(zero + mono * 1000),
    })
    const rig = await startRig(clock, disk, {
      instruments: [{ sensor }],
      options: { readEverySeconds: 10, notBefore: utcMillis(Date.UTC(2026, 0, 1)) },
    })
    const happen = ([mono, act]: NonNullable<BootPlan['moments']>[number]): Moment => [
      mono,
      () => act({ clock, rig, truth: zero + mono * 1000 }),
    ]
    await liveUntil(rig.station, clock, boot.seconds, (boot.moments ?? []).map(happen))
    truth = zero + boot.seconds * 1000
    codes = rig.codes()
    at = rig.health().at === undefined ? undefined : Date.parse(rig.health().at as string)
    await rig.station.stop('end of the boot')
  }
  const { lines, records } = await judge(disk, zeros)
  return { lines, records, codes, truth, ...(at === undefined ? {} : { at }) }
}

async function judge(disk: MemoryDisk, zeros: ReadonlyMap<string, number>) {
  const folder = await readStoreFolder(disk)
  if (!folder.ok) throw new Error(folder.fault.detail)
  const read = await folder.value.reader.lines(0, Infinity)
  if (!read.ok) throw new Error(read.fault.detail)
  const lines = read.value.map(({ line }) => line)
  const times = new TimeTable()
  const order = new BootOrder()
  for (const line of lines) {
    times.take(line)
    if ('boot' in line) order.note(line.boot, line.seq, line.mono + ('seconds' in line ? line.seconds : 0))
  }
  const bounds = order.bounds(times)
  const records = lines
    .filter((line): line is RecordLine => line.kind === 'record')
    .map((line): JudgedRecord => {
      const placed = times.ownOr(line.boot, line.mono, line.seq, line.utc)
      return {
        line,
        truth: zeros.get(line.boot)! + line.mono * 1000,
        ...(placed === undefined ? {} : { placed }),
        errorSeconds: times.at(line.boot, monoSeconds(line.mono))?.errorSeconds ?? NaN,
        bound: boundedAt(bounds.get(line.boot) ?? {}, line.mono),
      }
    })
  return { lines, records }
}

/** Seconds of records by hour of the time they were placed at. */
export function secondsByHour(records: readonly JudgedRecord[]): Map<number, number> {
  const hours = new Map<number, number>()
  for (const { placed, line } of records) {
    if (placed === undefined) continue
    const hour = Math.floor(placed / 3_600_000)
    hours.set(hour, (hours.get(hour) ?? 0) + line.seconds)
  }
  return hours
}

export function byBootOf(records: readonly JudgedRecord[]): Map<string, JudgedRecord[]> {
  const boots = new Map<string, JudgedRecord[]>()
  for (const record of records) {
    const { boot } = record.line
    boots.set(boot, [...(boots.get(boot) ?? []), record])
  }
  return boots
}
