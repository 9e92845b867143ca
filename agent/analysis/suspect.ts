/**
 * Whether a station that lives measures nonsense: from its hourly PM2.5, beside its neighbours where there are any.
 *
 * All levels: no source. Those of gain, floor and noise were chosen by rule on the first two of four years of hourly data of
 * three sites, and judged on the last two: test/analysis/suspect.test.ts does both anew. The looks below (how many days of now
 * and before) and the levels of what stands still were set by hand after looking at all four years.
 * A change must be seen against the middle of all neighbours (of two: against both, the smaller), so that a neighbour
 * that goes wrong does not accuse the others. With one neighbour alone nobody knows which of the two it is: the words say so.
 */
import { addUtcSeconds, type UtcMillis } from '../terms/terms.js'
import { medianOf, percentile7 } from './spread.js'
import { daysBeside, hoursOfBlock, type DayBeside } from './suspect-days.js'

/** PM2.5 in µg/m³, one an hour; NaN where the hour does not count. */
export interface StationHours {
  readonly name: string
  readonly hours: Float64Array
}

export type SuspectCode = 'flat' | 'floor-drift' | 'gain-loss' | 'gain-step' | 'noise'

export interface Suspicion {
  readonly code: SuspectCode
  /** Where what is looked at as 'now' begins: the true start may lie before it. */
  readonly since: UtcMillis
  /** Names of the neighbours; none where the station is held against itself alone. */
  readonly beside: readonly string[]
  /** flat: µg/m³ of spread; floor-drift: µg/m³ of change; gain-*: factor; noise: factor. */
  readonly figure: number
  readonly words: string
  readonly firstThing: string
}

/** Days of now, days of before, days between the two. */
interface Look {
  readonly now: number
  readonly before: number
  readonly gap: number
  readonly leastNow: number
  readonly leastBefore: number
}

const stepLook: Look = { now: 10, before: 28, gap: 0, leastNow: 5, leastBefore: 14 }
const lossLook: Look = { now: 21, before: 56, gap: 28, leastNow: 10, leastBefore: 28 }
const floorLook: Look = { now: 21, before: 84, gap: 0, leastNow: 4, leastBefore: 12 }
const noiseLook: Look = { now: 7, before: 56, gap: 0, leastNow: 4, leastBefore: 28 }
const flatDays = 2

export interface SuspectLevels {
  readonly flatShare: number
  readonly leastNeighbourSpread: number
  readonly flatAlone: number
  readonly stepLog: number
  readonly lossLog: number
  readonly floorMicrograms: number
  readonly cleanMicrograms: number
  readonly noiseLog: number
  readonly aloneShare: number
}

export const suspectLevels: SuspectLevels = {
  /** Own spread of a day over that of each neighbour, two days one after the other, where neighbours moved by so much. */
  flatShare: 0.1,
  leastNeighbourSpread: 15,
  /** Alone: spread of 48 h, µg/m³; the stillest of a sound station was 3.4. */
  flatAlone: 3,
  stepLog: 0.47,
  lossLog: 0.42,
  floorMicrograms: 9.6,
  /** Floors count on days when the neighbour's was at most this. */
  cleanMicrograms: 15,
  noiseLog: 0.6,
  /** Alone: 5th, 50th and 90th percentile of 4 weeks each under this share of those of the 16 weeks before. */
  aloneShare: 0.5,
}

/**
 * @param from start of the first hour of every series
 * @param own its newest hours last; half a year is plenty
 * @param neighbours series of the same length and start
 */
export function suspicionsOf(
  from: UtcMillis,
  own: StationHours,
  neighbours: readonly StationHours[],
  levels: SuspectLevels = suspectLevels,
): readonly Suspicion[] {
  // Whole days must end with the newest hour.
  const cut = own.hours.length % hoursOfBlock
  const start = addUtcSeconds(from, cut * 3600)
  const mine = own.hours.subarray(cut)
  const pairs = neighbours.map(({ hours }) => daysBeside(mine, hours.subarray(cut)))
  const suspicions = neighbours.length > 0 ? seenBeside(pairs, levels) : seenAlone(mine, levels)
  const beside = neighbours.map(({ name }) => name)
  return suspicions.map(({ code, figure, days }) => {
    const since = addUtcSeconds(start, (mine.length - days * hoursOfBlock) * 3600)
    return { code, since, beside, figure, ...wordsOf(code, figure, beside, days) }
  })
}

interface Seen {
  readonly code: SuspectCode
  readonly figure: number
  readonly days: number
}

function seenBeside(pairs: readonly DayBeside[][], levels: SuspectLevels): Seen[] {
  const flat = flatBeside(pairs, levels)
  // What stands still says nothing about gain, floor or noise.
  if (flat !== undefined) return [{ code: 'flat', figure: flat, days: flatDays }]
  const step = changeOf(pairs, stepLook, ({ logRatio }) => logRatio)
  const loss = changeOf(pairs, lossLook, ({ logRatio }) => logRatio)
  const floor = changeOf(pairs, floorLook, ({ floor: own, otherFloor }) =>
    otherFloor <= levels.cleanMicrograms ? own - otherFloor : NaN,
  )
  const noise = changeOf(pairs, noiseLook, ({ logUnrest }) => logUnrest)
  const seen: Seen[] = []
  if (step <= -levels.stepLog) seen.push({ code: 'gain-step', figure: Math.exp(step), days: stepLook.now })
  else if (loss <= -levels.lossLog)
    seen.push({ code: 'gain-loss', figure: Math.exp(loss), days: lossLook.now })
  if (Math.abs(floor) >= levels.floorMicrograms)
    seen.push({ code: 'floor-drift', figure: floor, days: floorLook.now })
  if (noise >= levels.noiseLog) seen.push({ code: 'noise', figure: Math.exp(noise), days: noiseLook.now })
  return seen
}

/** Largest spread of the days, when each was still beside every neighbour that moved. */
function flatBeside(pairs: readonly DayBeside[][], levels: SuspectLevels): number | undefined {
  const days = pairs.flatMap((pair) => pair.slice(-flatDays))
  const isStill = ({ spread, otherSpread }: DayBeside): boolean =>
    otherSpread >= levels.leastNeighbourSpread && spread <= levels.flatShare * otherSpread
  if (days.length < flatDays * pairs.length || !days.every(isStill)) return undefined
  return Math.max(...days.map(({ spread }) => spread))
}

/** Middle of now less middle of before; of all neighbours the middle, of two the smaller; 0 where not enough is known. */
function changeOf(pairs: readonly DayBeside[][], look: Look, of: (day: DayBeside) => number): number {
  const changes = pairs.flatMap((days) => {
    const change = changeBeside(days, look, of)
    return Number.isNaN(change) ? [] : [change]
  })
  if (changes.length === 0) return 0
  if (changes.length !== 2) return medianOf(changes)
  const [a, b] = changes
  return Math.sign(a) === Math.sign(b) ? Math.sign(a) * Math.min(Math.abs(a), Math.abs(b)) : 0
}

function changeBeside(days: readonly DayBeside[], look: Look, of: (day: DayBeside) => number): number {
  const nowFrom = days.length - look.now
  const beforeTo = nowFrom - look.gap
  const known = (from: number, to: number): number[] =>
    days
      .slice(Math.max(0, from), Math.max(0, to))
      .map(of)
      .filter((value) => !Number.isNaN(value))
  const now = known(nowFrom, days.length)
  const before = known(beforeTo - look.before, beforeTo)
  const enough = now.length >= look.leastNow && before.length >= look.leastBefore
  return enough ? medianOf(now) - medianOf(before) : NaN
}

// ---- alone ----------------------------------------------------------------------------------------------------------

const aloneNowDays = 28
const aloneBeforeDays = 112
const aloneLeastShare = 0.5

function seenAlone(hours: Float64Array, levels: SuspectLevels): Seen[] {
  const known = (fromDays: number, toDays: number): number[] => {
    const [from, to] = [fromDays, toDays].map((days) => Math.max(0, hours.length - days * hoursOfBlock))
    return [...hours.subarray(from, to)].filter((value) => !Number.isNaN(value))
  }
  const newest = known(flatDays, 0)
  const spread = spreadOf(newest)
  if (newest.length >= 0.75 * flatDays * hoursOfBlock && spread <= levels.flatAlone)
    return [{ code: 'flat', figure: spread, days: flatDays }]
  const [now, before] = [known(aloneNowDays, 0), known(aloneNowDays + aloneBeforeDays, aloneNowDays)]
  const isEnough = (values: number[], days: number): boolean =>
    values.length >= aloneLeastShare * days * hoursOfBlock
  if (!isEnough(now, aloneNowDays) || !isEnough(before, aloneBeforeDays)) return []
  const shares = [0.05, 0.5, 0.9].map((share) => percentile7(now, share)! / percentile7(before, share)!)
  const most = Math.max(...shares)
  return most <= levels.aloneShare ? [{ code: 'gain-loss', figure: most, days: aloneNowDays }] : []
}

const spreadOf = (values: readonly number[]): number =>
  (percentile7(values, 0.9) ?? NaN) - (percentile7(values, 0.1) ?? NaN)

// ---- words ----------------------------------------------------------------------------------------------------------

type Words = Pick<Suspicion, 'words' | 'firstThing'>

function wordsOf(code: SuspectCode, figure: number, beside: readonly string[], days: number): Words {
  const others = beside.length > 0 ? `beside ${beside.join(', ')}` : 'beside its own former weeks'
  const doubt = beside.length === 1 && code !== 'flat' ? '; it may be the neighbour that changed' : ''
  const { words, firstThing } = says[code](figure, days)
  return { words: `${words} ${others}${doubt}`, firstThing }
}

const says: Readonly<Record<SuspectCode, (figure: number, days: number) => Words>> = {
  flat: (figure, days) => ({
    words: `PM2.5 moved by no more than ${figure.toFixed(1)} µg/m³ in each of ${days} days`,
    firstThing: 'Look at the readings themselves; power the sensor off and on, then see that air reaches it.',
  }),
  'floor-drift': (figure, days) => ({
    words: `in clean air PM2.5 lies ${Math.abs(figure).toFixed(0)} µg/m³ ${figure > 0 ? 'higher' : 'lower'} over ${days} days than before,`,
    firstThing: 'Do a zero check with a filter on the inlet; clean the sensor if it does not read near zero.',
  }),
  'gain-loss': (figure, days) => ({
    words: `PM2.5 came down to ${percent(figure)} of what it was, over ${days} days,`,
    firstThing: 'Clean the inlet and look at the fan; note the visit in the site log.',
  }),
  'gain-step': (figure, days) => ({
    words: `PM2.5 fell to ${percent(figure)} of what it was, within ${days} days,`,
    firstThing: 'Ask what was changed that day (sensor, scaling, inlet); see that nothing covers the inlet.',
  }),
  noise: (figure, days) => ({
    words: `PM2.5 jumps ${figure.toFixed(1)} times as much from hour to hour over ${days} days as before,`,
    firstThing:
      'Look at the supply and the cable of the sensor, and for a new source right beside the inlet.',
  }),
}

const percent = (factor: number): string => `${(factor * 100).toFixed(0)} %`
