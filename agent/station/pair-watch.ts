import type { FaultBoard } from '../health/health.js'
import { PairAgreement, type PairHour } from '../screening/screening.js'
import type { Channel, ColumnSet, MonoSeconds } from '../terms/terms.js'

/** An instrument as far as its box and channels go. */
export interface Boxed {
  readonly box?: string
  readonly channels: readonly Channel[]
}

interface Pair {
  readonly box: string
  readonly keys: readonly [string, string]
  /** Position of each one's mean; the used seconds stand behind it. */
  readonly at: readonly [number, number]
  readonly agreement: PairAgreement
  lastHour?: PairHour | 'too-little'
}

/**
 * Each two sensors of one box, compared by the hour on PM2.5. A disagreement is a fault for people to look at; it
 * excludes and marks nothing, because nobody knows which of the two is right.
 */
export class PairWatch {
  private readonly pairs: Pair[] = []

  constructor(
    instruments: readonly Boxed[],
    set: ColumnSet,
    private readonly faults: FaultBoard,
  ) {
    const meanAt = (key: string): number =>
      set.columns.findIndex((c) => c.channel === key && c.statistic === 'mean')
    instruments.forEach((a, i) => {
      for (const b of instruments.slice(i + 1)) {
        const keys = [leadOf(a), leadOf(b)] as const
        if (a.box === undefined || a.box !== b.box || !keys[0] || !keys[1]) continue
        this.pairs.push({
          box: a.box,
          keys: [keys[0], keys[1]],
          at: [meanAt(keys[0]), meanAt(keys[1])],
          agreement: new PairAgreement(),
        })
      }
    })
  }

  /** Takes the values of a record, in the order of the column set. */
  take(seconds: number, values: Float64Array, now: MonoSeconds): void {
    for (const pair of this.pairs) {
      const [a, b] = pair.at
      const hour = pair.agreement.take(seconds, values[a + 1], values[a], values[b + 1], values[b])
      if (hour) this.judge(pair, hour, now)
    }
  }

  /** An hour that says nothing neither raises nor ends a disagreement. */
  private judge(pair: Pair, hour: PairHour | 'too-little', now: MonoSeconds): void {
    pair.lastHour = hour
    if (hour === 'too-little') return
    const where = `${pair.keys.join(' and ')} in ${pair.box}`
    if (hour.agree) return this.faults.clear(where, 'pair-disagrees')
    const [a, b] = hour.means.map((mean) => mean.toFixed(1))
    const detail = `${where}: ${a} and ${b} ug/m3 in the last hour`
    this.faults.raise(where, { code: 'pair-disagrees', detail }, now)
  }

  report(): Record<string, unknown>[] {
    return this.pairs.map(({ box, keys, lastHour }) => ({
      box,
      between: keys,
      last_hour: lastHour === undefined || lastHour === 'too-little' ? 'not enough data' : hourJson(lastHour),
    }))
  }
}

const leadOf = ({ channels }: Boxed): string | undefined => channels.find((c) => c.name === 'pm2_5')?.key

const hourJson = (hour: PairHour): Record<string, unknown> => ({
  means_ug_m3: hour.means.map((mean) => round(mean, 2)),
  deviation_ug_m3: round(hour.deviationMicrograms, 2),
  variation_percent: round(hour.variationPercent, 1),
  shared_s: Math.round(hour.sharedSeconds),
  agree: hour.agree,
})

const round = (value: number, decimals: number): number => Number(value.toFixed(decimals))
