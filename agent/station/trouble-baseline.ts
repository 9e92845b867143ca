import type { TroubleSeen } from '../alerts/alerts.js'
import type { HeldRecord } from '../averages/averages.js'
import { kindOf } from '../terms/terms.js'

/** Days that are compared: the newest against those before them; each with so many at least. */
const newestDays = 7
const leastNewest = 4
const earlierDays = 21
const leastEarlier = 10
/** Below this the cleanest air is within the sensor's own noise. */
const leastReference = 2
const raisedShare = 0.5
const overShare = 0.7
const leastSpanSeconds = 18 * 3600
const leastRecords = 100

interface Day {
  readonly day: number
  readonly value: number
}

interface Kept {
  days: Day[]
  /** What it stood beside when it was raised: the days before would fall after it. */
  reference?: number
  holds: boolean
}

/**
 * The cleanest air of each day (5th percentile of the minute means), over weeks: an inlet that closes or a fan that tires
 * makes it fall while weather makes it go up and down. A figure a day and sensor is kept, in the checkpoint.
 */
export class Baseline {
  private readonly byKey = new Map<string, Kept>()

  restore(saved: unknown): void {
    for (const [key, one] of Object.entries(Object(saved) as Record<string, unknown>)) {
      const { days, reference, holds } = Object(one) as Partial<Kept>
      if (!Array.isArray(days) || !days.every((d) => Number.isFinite(d?.day) && Number.isFinite(d?.value)))
        continue
      this.byKey.set(key, {
        days,
        holds: holds === true,
        ...(Number.isFinite(reference) ? { reference } : {}),
      })
    }
  }

  save(): Readonly<Record<string, unknown>> {
    return Object.fromEntries(this.byKey)
  }

  /** Another unit stands there now. */
  forget(key: string): void {
    this.byKey.delete(key)
  }

  /** Once a day, with what is held of it. */
  dayOver(key: string, day: number, held: Iterable<HeldRecord>): void {
    const value = cleanest(held)
    const kept = this.byKey.get(key) ?? { days: [], holds: false }
    if (value !== undefined) kept.days.push({ day, value: Math.round(value * 100) / 100 })
    kept.days = kept.days.filter((one) => one.day > day - newestDays - earlierDays)
    this.judge(kept, day)
    this.byKey.set(key, kept)
  }

  private judge(kept: Kept, day: number): void {
    const isNew = ({ day: of }: Day): boolean => of > day - newestDays
    const newest = kept.days.filter(isNew)
    const earlier = kept.days.filter((one) => !isNew(one))
    if (newest.length < leastNewest) return
    const now = median(newest)
    if (kept.holds) {
      if (now < overShare * kept.reference!) return
      kept.holds = false
      kept.reference = undefined
      return
    }
    if (earlier.length < leastEarlier) return
    const before = median(earlier)
    if (before < leastReference || now >= raisedShare * before) return
    kept.holds = true
    kept.reference = before
  }

  seen(): TroubleSeen {
    for (const [key, { holds, reference, days }] of this.byKey)
      if (holds)
        return {
          holds,
          detail: `${key}: cleanest air ${median(days.slice(-newestDays)).toFixed(1)}, was ${reference!.toFixed(1)} ${kindOf(key)?.unit ?? ''}`,
        }
    return { holds: false }
  }
}

const median = (days: readonly Day[]): number => {
  const sorted = days.map(({ value }) => value).sort((a, b) => a - b)
  return sorted[Math.floor(sorted.length / 2)]
}

/** 5th percentile of the means of records that count; undefined where they are too few or span too little of a day. */
function cleanest(held: Iterable<HeldRecord>): number | undefined {
  const means: number[] = []
  let [first, last] = [NaN, NaN]
  for (const { at, usedSeconds, mean } of held) {
    if (!(usedSeconds > 0)) continue
    if (means.length === 0) first = at
    last = at
    means.push(mean)
  }
  if (means.length < leastRecords || last - first < leastSpanSeconds) return undefined
  return means.sort((a, b) => a - b)[Math.floor(means.length * 0.05)]
}
