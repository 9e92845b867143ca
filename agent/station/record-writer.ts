import type { Store } from '../store/store.js'
import { channelKinds, longestRecordSeconds, type MonoSeconds } from '../terms/terms.js'
import type { StationPorts } from './options.js'
import type { Parts } from './parts.js'

/** Makes one record line of what all instruments and gauges have of a finished minute. */
export class RecordWriter {
  private readonly slots: readonly (string | undefined)[]

  constructor(
    private readonly parts: Parts,
    private readonly store: Store,
    instruments: StationPorts['instruments'],
  ) {
    this.slots = instruments.map(({ options }) => options.slot)
  }

  /** @param at end of the record */
  write(start: MonoSeconds, at: MonoSeconds): void {
    const { instruments, gauges, set, boot, clock, pairs, averages, energy } = this.parts
    const seconds = at - start
    const plan = energy?.ports.plan
    const planned = plan?.planned === false ? 0 : seconds
    const running = plan?.running === false ? 0 : seconds
    const values = new Float64Array(set.columns.length)
    const excluded: Record<string, number> = {}
    const marked: Record<string, number> = {}
    let offset = 0
    instruments.forEach((instrument, i) => {
      const result = instrument.closeMinute(at, running, values, offset)
      for (const reason in result.excluded)
        excluded[withSlot(reason, this.slots[i])] = result.excluded[reason]
      for (const mark in result.marked) marked[withSlot(mark, this.slots[i])] = result.marked[mark]
      offset += columnCount(instrument)
    })
    for (const gauge of gauges) {
      gauge.closeMinute(seconds, values, offset)
      offset += columnCount(gauge)
    }
    const utc = clock.at(start)
    const line = { kind: 'record', set: set.id, boot, mono: start, seconds, planned, utc } as const
    // What lasted longer was a pause: its event tells of it, and no record may.
    if (seconds <= longestRecordSeconds)
      this.store.append((seq) => ({ ...line, seq, values, excluded, marked }), set)
    pairs.take(seconds, values, at)
    averages.feed(start, seconds, planned, values)
  }
}

const columnCount = ({ channels }: { readonly channels: Parts['instruments'][number]['channels'] }): number =>
  channels.reduce((sum, { name }) => sum + channelKinds[name].statistics.length, 0)

const withSlot = (reason: string, slot: string | undefined): string =>
  slot === undefined ? reason : `${reason}.${slot}`
