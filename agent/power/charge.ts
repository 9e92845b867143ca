/**
 * How full the battery is, from what its gauges say: charge is counted, and set right again by the voltage of a rested
 * battery and by 'full'. The count and the offset of the current gauge are kept together with their errors (a Kalman
 * filter of two values), so each 'full' also teaches how far the gauge is off. With a voltage alone there is a coarse value.
 */
import { percentAtRest } from './battery.js'
import {
  chargeByVoltage,
  packs,
  restSd,
  restTableOf,
  type BatteryReading,
  type BatterySpec,
} from './rest-voltage.js'

/** A charge that was known from outside, and what was counted since. */
interface Mark {
  readonly percent: number
  readonly sd: number
  readonly netAmpereHours: number
  /** By which gain and charge efficiency may have led the net astray. */
  readonly errorAmpereHours: number
  readonly hours: number
}

/** Its shape: who reads a kept one asks for these numbers. */
export const noMark: Mark = { percent: 0, sd: 0, netAmpereHours: 0, errorAmpereHours: 0, hours: 0 }

export type Anchor = 'none' | 'rest' | 'full'

export interface ChargeState {
  /** Absent until a voltage was seen. */
  readonly percent?: number
  readonly offsetAmperes: number
  /** Variances in points², A² and their product. */
  readonly variance: number
  readonly covariance: number
  readonly offsetVariance: number
  /** Points by which gain and charge efficiency may have led the count astray since it was last set right. */
  readonly driftPoints: number
  readonly quietSeconds: number
  readonly fullSeconds: number
  readonly uncountedSeconds: number
  /** Mean of about three hours. */
  readonly smoothVolts?: number
  readonly lastAnchor: Anchor
  readonly sinceAnchorSeconds: number
  readonly capacityAmpereHours: number
  readonly capacitySd: number
  readonly mark?: Mark
}

export interface ChargeEstimate {
  readonly percent: number
  /** The truth lies between them about 19 times of 20. */
  readonly lowPercent: number
  readonly highPercent: number
  readonly restsOn: 'counting' | 'voltage only'
  readonly lastAnchor: Anchor
  readonly sinceAnchorSeconds: number
  /** As learned over deep cycles; as named until then. */
  readonly capacityAmpereHours: number
  readonly offsetAmperes: number
}

const restSeconds = 4 * 3600
/** One night is one witness: looking twice at the same table error teaches nothing. */
const betweenRestsSeconds = 12 * 3600
/** A battery that gives or takes less than this share of its capacity in an hour is as good as rested. */
const quietShare = 1 / 80
const fullAfterSeconds = 900
const fullSd = 1.5
const smoothSeconds = 3 * 3600
/** What an unseen current may take or bring, points an hour. */
const uncountedPointsPerHour = 2
const coarseAfterSeconds = 3600
const deepPoints = 40
/** The offset of a gauge may walk so far in a day. */
const offsetWalkAmperes = 0.003
const longestStepSeconds = 600

export const newCharge = (spec: BatterySpec): ChargeState => ({
  offsetAmperes: 0,
  variance: 50 ** 2,
  covariance: 0,
  offsetVariance: spec.gaugeOffsetAmperes ** 2,
  driftPoints: 0,
  quietSeconds: 0,
  fullSeconds: 0,
  uncountedSeconds: 0,
  lastAnchor: 'none',
  sinceAnchorSeconds: 0,
  capacityAmpereHours: spec.capacityAmpereHours,
  capacitySd: 0.1 * spec.capacityAmpereHours,
})

/**
 * The state after `seconds` with this reading. A span longer than ten minutes was not watched and counts as uncounted.
 */
export function stepCharge(
  state: ChargeState,
  reading: BatteryReading,
  seconds: number,
  spec: BatterySpec,
): ChargeState {
  const counted = reading.amperes !== undefined && seconds <= longestStepSeconds
  let next = withVolts(state, reading, seconds, spec)
  next = counted ? count(next, reading.amperes!, seconds, spec) : leftOut(next, seconds)
  next = { ...next, ...stillness(next, reading, seconds, spec, counted) }
  if (next.fullSeconds >= fullAfterSeconds)
    return state.fullSeconds < fullAfterSeconds ? known(next, 'full', 100, fullSd, spec) : stillFull(next)
  const restedAgain = next.lastAnchor === 'none' || next.sinceAnchorSeconds >= betweenRestsSeconds
  if (next.quietSeconds >= restSeconds && restedAgain && reading.volts !== undefined)
    return rested(next, reading.volts, reading.celsius ?? 25, spec)
  return next
}

/** The first voltage gives a coarse start; later ones go into the mean that stands in when the current is not seen. */
function withVolts(
  state: ChargeState,
  { volts }: BatteryReading,
  seconds: number,
  spec: BatterySpec,
): ChargeState {
  const sinceAnchorSeconds = state.sinceAnchorSeconds + seconds
  if (volts === undefined) return { ...state, sinceAnchorSeconds }
  const before = state.smoothVolts ?? volts
  const smoothVolts = before + (volts - before) * Math.min(1, seconds / smoothSeconds)
  if (state.percent !== undefined) return { ...state, smoothVolts, sinceAnchorSeconds }
  const { percent, lowPercent, highPercent } = chargeByVoltage(volts, spec)
  const variance = ((highPercent - lowPercent) / 2) ** 2
  return { ...state, smoothVolts, sinceAnchorSeconds, percent, variance }
}

function count(state: ChargeState, measured: number, seconds: number, spec: BatterySpec): ChargeState {
  if (state.percent === undefined) return state
  const hours = seconds / 3600
  const amperes = measured - state.offsetAmperes
  const { chargeEfficiency, efficiencyError } = spec.chemistry
  const efficiency = amperes > 0 ? chargeEfficiency : 1
  const pointsPerAmpere = (100 * efficiency * hours) / state.capacityAmpereHours
  const moved = amperes * pointsPerAmpere
  const error = spec.gaugeGainError + (amperes > 0 ? efficiencyError : 0)
  const driftPoints = state.driftPoints + Math.abs(moved) * error
  const walk = (offsetWalkAmperes ** 2 * hours) / 24
  return {
    ...state,
    percent: Math.max(0, Math.min(100, state.percent + moved)),
    driftPoints,
    variance:
      state.variance -
      2 * pointsPerAmpere * state.covariance +
      pointsPerAmpere ** 2 * state.offsetVariance +
      (driftPoints ** 2 - state.driftPoints ** 2),
    covariance: state.covariance - pointsPerAmpere * state.offsetVariance,
    offsetVariance: state.offsetVariance + walk,
    uncountedSeconds: 0,
    mark: state.mark && {
      ...state.mark,
      netAmpereHours: state.mark.netAmpereHours + amperes * efficiency * hours,
      errorAmpereHours: state.mark.errorAmpereHours + Math.abs(amperes * efficiency * hours) * error,
      hours: state.mark.hours + hours,
    },
  }
}

/** Nobody saw the current: the value stays, its error grows, and what was counted toward the capacity is worth nothing. */
function leftOut(state: ChargeState, seconds: number): ChargeState {
  const sd = Math.min(50, Math.sqrt(state.variance) + (uncountedPointsPerHour * seconds) / 3600)
  return {
    ...state,
    variance: sd ** 2,
    uncountedSeconds: state.uncountedSeconds + seconds,
    mark: undefined,
  }
}

/** For how long the battery has been quiet, and for how long it has looked full. */
function stillness(
  state: ChargeState,
  { volts, amperes, celsius }: BatteryReading,
  seconds: number,
  spec: BatterySpec,
  counted: boolean,
): Pick<ChargeState, 'quietSeconds' | 'fullSeconds'> {
  if (!counted || volts === undefined) return { quietSeconds: 0, fullSeconds: 0 }
  const { fullCellVolts, fullVoltsPerCelsius, cells, tailShare } = spec.chemistry
  const fullVolts = (fullCellVolts + fullVoltsPerCelsius * ((celsius ?? 25) - 25)) * cells * packs(spec)
  const current = amperes! - state.offsetAmperes
  const isQuiet = Math.abs(current) < quietShare * state.capacityAmpereHours && volts < fullVolts
  const tail = tailShare * state.capacityAmpereHours
  const isFull = volts >= fullVolts && current < tail && current > -tail
  return {
    quietSeconds: isQuiet ? state.quietSeconds + seconds : 0,
    fullSeconds: isFull ? state.fullSeconds + seconds : 0,
  }
}

function rested(state: ChargeState, volts: number, celsius: number, spec: BatterySpec): ChargeState {
  const table = restTableOf(spec)
  const percent = percentAtRest(table, volts)
  const sd = restSd(table, percent, celsius, spec)
  return known(state, 'rest', percent, sd, spec)
}

/** The charge is known from outside, within `sd`: count and offset give way by what their errors allow. */
function known(
  state: ChargeState,
  anchor: Anchor,
  percent: number,
  sd: number,
  spec: BatterySpec,
): ChargeState {
  const before = state.percent ?? percent
  const share = state.variance / (state.variance + sd ** 2)
  const offsetGain = state.covariance / (state.variance + sd ** 2)
  const learned = learnCapacity(state, percent, sd, spec)
  // Tables, and what 'full' means, are wrong in the same way each time: many looks do not make it better than that.
  const least = Math.min(state.variance, (anchor === 'full' ? sd : sd / 2) ** 2)
  return {
    ...state,
    ...learned,
    percent: anchor === 'full' ? 100 : before + share * (percent - before),
    offsetAmperes: state.offsetAmperes + offsetGain * (percent - before),
    variance: Math.max(least, (1 - share) * state.variance),
    covariance: (1 - share) * state.covariance,
    offsetVariance: Math.max(1e-6, state.offsetVariance - offsetGain * state.covariance),
    driftPoints: (1 - share) * state.driftPoints,
    lastAnchor: anchor,
    sinceAnchorSeconds: 0,
  }
}

/** One 'full' teaches once, however long it lasts. */
const stillFull = (state: ChargeState): ChargeState => ({
  ...state,
  percent: 100,
  variance: fullSd ** 2,
  covariance: 0,
  driftPoints: 0,
  sinceAnchorSeconds: 0,
})

/** Between two known charges far enough apart, what was counted tells the capacity; how well, their errors say. */
function learnCapacity(
  state: ChargeState,
  percent: number,
  sd: number,
  spec: BatterySpec,
): Pick<ChargeState, 'capacityAmpereHours' | 'capacitySd' | 'mark'> {
  const { mark, capacityAmpereHours, capacitySd } = state
  const deep = mark && Math.abs(percent - mark.percent) >= deepPoints
  const fresh: Mark = { percent, sd, netAmpereHours: 0, errorAmpereHours: 0, hours: 0 }
  if (!deep) {
    const keep = mark && mark.sd <= sd && percent !== 100
    return { capacityAmpereHours, capacitySd, mark: keep ? mark : fresh }
  }
  const points = percent - mark.percent
  const found = (100 * mark.netAmpereHours) / points
  const pointsError = (found * Math.hypot(sd, mark.sd)) / Math.abs(points)
  const countError = Math.hypot(mark.hours * Math.sqrt(state.offsetVariance), mark.errorAmpereHours)
  const foundSd = Math.hypot(pointsError, (100 * countError) / Math.abs(points))
  const share = capacitySd ** 2 / (capacitySd ** 2 + foundSd ** 2)
  const merged = capacityAmpereHours + share * (found - capacityAmpereHours)
  const named = spec.capacityAmpereHours
  return {
    capacityAmpereHours: Math.max(0.4 * named, Math.min(1.2 * named, merged)),
    capacitySd: Math.max(0.02 * named, Math.sqrt(1 - share) * capacitySd),
    mark: fresh,
  }
}

/** What can be said now; undefined while no voltage was ever seen. */
export function chargeEstimate(state: ChargeState, spec: BatterySpec): ChargeEstimate | undefined {
  const { lastAnchor, sinceAnchorSeconds, capacityAmpereHours, offsetAmperes, percent } = state
  if (percent === undefined || state.smoothVolts === undefined) return undefined
  const common = { lastAnchor, sinceAnchorSeconds, capacityAmpereHours, offsetAmperes }
  if (state.uncountedSeconds > coarseAfterSeconds)
    return { ...chargeByVoltage(state.smoothVolts, spec), restsOn: 'voltage only', ...common }
  const range = 2 * Math.sqrt(state.variance)
  const lowPercent = Math.max(0, percent - range)
  const highPercent = Math.min(100, percent + range)
  return { percent, lowPercent, highPercent, restsOn: 'counting', ...common }
}
