/**
 * The zero check: filtered air for ten minutes, in which a sensor should read nothing.
 *
 * The limits (2 and 5 µg/m³, 8 of 10 minutes) are common practice, no source. The offset is reported; nothing ever
 * subtracts it.
 */
import type { ZeroResult } from './kinds.js'

export interface ZeroMinute {
  /** Mean pm2_5 in µg/m³ of every good reading: a visit goes on, so none of them counts as used for averages. */
  readonly meanMicrogramsPerM3: number
  /** Seconds of the span for which there were such readings, at most 60. */
  readonly usedSeconds: number
}

export interface ZeroCheckOptions {
  readonly spanSeconds: number
  readonly leastUsedSeconds: number
  readonly passUpToMicrogramsPerM3: number
  readonly repeatUpToMicrogramsPerM3: number
}

export const usualZeroCheck: ZeroCheckOptions = {
  spanSeconds: 600,
  leastUsedSeconds: 480,
  passUpToMicrogramsPerM3: 2,
  repeatUpToMicrogramsPerM3: 5,
}

export interface ZeroOutcome {
  readonly result: ZeroResult
  /** Mean weighted by used seconds, 2 decimals, also where there was not enough data; absent when there was none. */
  readonly offsetMicrogramsPerM3?: number
  readonly usedSeconds: number
}

/** @param minutes of the span; a minute without a number or without time is no data. */
export function judgeZeroCheck(
  minutes: Iterable<ZeroMinute>,
  options: ZeroCheckOptions = usualZeroCheck,
): ZeroOutcome {
  let used = 0
  let sum = 0
  for (const { meanMicrogramsPerM3, usedSeconds } of minutes) {
    if (!Number.isFinite(meanMicrogramsPerM3) || !(usedSeconds > 0)) continue
    const seconds = Math.min(usedSeconds, 60)
    used += seconds
    sum += seconds * meanMicrogramsPerM3
  }
  if (used === 0) return { result: 'not-enough-data', usedSeconds: 0 }
  // Two decimals, as the channel has them: 2.00 is not above 2 because a sum was not exact.
  const offset = Number((sum / used).toFixed(2))
  return {
    result: judge(offset, used, options),
    offsetMicrogramsPerM3: offset,
    usedSeconds: Math.round(used),
  }
}

function judge(offset: number, used: number, options: ZeroCheckOptions): ZeroResult {
  if (used < options.leastUsedSeconds) return 'not-enough-data'
  if (offset <= options.passUpToMicrogramsPerM3) return 'pass'
  return offset <= options.repeatUpToMicrogramsPerM3 ? 'repeat' : 'fail'
}
