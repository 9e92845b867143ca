/**
 * What the gauges of battery and panel say, before anything is done about it: a single odd value is not used, a value
 * that stands still while the sun moves is no measurement, and a current that cannot be has its wires turned. Bounds are
 * common practice, no source.
 *
 * The sign of the current is judged by two things that hold whatever draws: in the dark nothing charges, and a battery that
 * gives stands below the voltage that it is charged to. Not judged: a current that seems to give in the sun (a load larger
 * than the panel does), a voltage that rises meanwhile (it does too when a load ends), and a count that rest voltages set
 * right again and again (a wrong capacity and a load past the shunt do the same).
 */
import { bad, type Fault } from '../terms/terms.js'

export interface PowerReading {
  readonly volts?: number
  readonly amperes?: number
  readonly solarWatts?: number
}

export interface CheckSpec {
  readonly nominalVolts: number
  readonly capacityAmpereHours: number
  readonly panelWatts?: number
  /** At and above it only a battery that is charged stands. */
  readonly chargingVolts?: number
}

/** What the sun does now, as far as place and time are known. */
export interface SunNow {
  readonly elevationDegrees: number
  /** What the panel would give under a clear sky. */
  readonly clearWatts: number
}

type Name = keyof PowerReading

/** How long a value has stood still, and between which clear-sky powers the sun went meanwhile. */
interface Still {
  readonly value: number
  readonly seconds: number
  readonly leastClear: number
  readonly mostClear: number
}

export interface CheckState {
  readonly stills: Readonly<Partial<Record<Name, Still>>>
  /** The voltage that was last used, and one that jumped away from it and waits for a second. */
  readonly volts?: number
  readonly jumped?: number
  readonly sign: SignState
}

/** How long the current has been turned, less how long it has been right; 0 to an hour. */
export interface SignState {
  readonly seconds: number
  readonly isTurned: boolean
  /** What last told so. */
  readonly because?: string
}

export interface Checked {
  readonly state: CheckState
  /** What may be used. */
  readonly reading: PowerReading
  readonly faults: readonly Fault[]
}

export const newCheck: CheckState = { stills: {}, sign: { seconds: 0, isTurned: false } }

const leastVoltsShare = 0.65
const mostVoltsShare = 1.35
const jumpShare = 0.08
const agreeShare = 0.03
/** A current above this many times the capacity in an hour blows the fuse. */
const mostCurrentShare = 2
const stuckSeconds = 12 * 3600
const stuckSolarSeconds = 3 * 3600
const movedShare = 0.3
const darkDegrees = -6
const signAfterSeconds = 3600
const leastSignAmperes = 0.15
const leastSignShare = 1 / 200

export function checkPower(
  state: CheckState,
  read: PowerReading,
  spec: CheckSpec,
  sun: SunNow | undefined,
  seconds: number,
): Checked {
  const volts = checkVolts(state, read.volts, spec)
  const amperes = checkAmperes(read.amperes, spec)
  const faults: Fault[] = [...volts.faults, ...amperes.faults]
  const kept: PowerReading = { volts: volts.value, amperes: amperes.value, solarWatts: read.solarWatts }
  const stills = stillsOf(state, kept, sun, seconds)
  const sign = signOf(state.sign, kept, spec, sun, seconds)
  const stuck = stuckNames(stills, spec)
  for (const name of stuck) faults.push(stuckFault(name, stills[name]!))
  const { isTurned } = sign
  if (isTurned) faults.push(bad('gauge-sign', sign.because!).fault)
  const usable = (name: Name): number | undefined =>
    stuck.includes(name) || (name === 'amperes' && isTurned) ? undefined : kept[name]
  return {
    state: { stills, volts: volts.last, jumped: volts.jumped, sign },
    reading: { volts: usable('volts'), amperes: usable('amperes'), solarWatts: usable('solarWatts') },
    faults,
  }
}

interface CheckedVolts {
  readonly value?: number
  readonly last?: number
  readonly jumped?: number
  readonly faults: readonly Fault[]
}

/** A voltage far from the last one is used when a second agrees with it. */
function checkVolts(
  { volts: last, jumped }: CheckState,
  volts: number | undefined,
  { nominalVolts }: CheckSpec,
): CheckedVolts {
  if (volts === undefined) return { last, jumped, faults: [] }
  const absurd = (why: string) => [bad('gauge-absurd', `battery_voltage reads ${volts} V: ${why}`).fault]
  if (volts < leastVoltsShare * nominalVolts || volts > mostVoltsShare * nominalVolts)
    return { last, faults: absurd(`no voltage of a ${nominalVolts}-V battery`) }
  const near = (other: number | undefined, share: number): boolean =>
    other !== undefined && Math.abs(volts - other) <= share * nominalVolts
  if (last === undefined || near(last, jumpShare) || near(jumped, agreeShare))
    return { value: volts, last: volts, faults: [] }
  return { last, jumped: volts, faults: absurd(`a minute before it was ${last} V`) }
}

function checkAmperes(
  amperes: number | undefined,
  { capacityAmpereHours }: CheckSpec,
): { value?: number; faults: Fault[] } {
  if (amperes === undefined || Math.abs(amperes) <= mostCurrentShare * capacityAmpereHours)
    return { value: amperes, faults: [] }
  const detail = `battery_current reads ${amperes} A at a battery of ${capacityAmpereHours} Ah`
  return { faults: [bad('gauge-absurd', detail).fault] }
}

function stillsOf(
  { stills }: CheckState,
  reading: PowerReading,
  sun: SunNow | undefined,
  seconds: number,
): CheckState['stills'] {
  const clear = sun?.clearWatts
  const next: Partial<Record<Name, Still>> = {}
  for (const name of ['volts', 'amperes', 'solarWatts'] as const) {
    const value = reading[name]
    const before = stills[name]
    if (value === undefined) continue
    if (!before || before.value !== value)
      next[name] = { value, seconds: 0, leastClear: clear ?? Infinity, mostClear: clear ?? -Infinity }
    else
      next[name] = {
        value,
        seconds: before.seconds + seconds,
        leastClear: Math.min(before.leastClear, clear ?? Infinity),
        mostClear: Math.max(before.mostClear, clear ?? -Infinity),
      }
  }
  return next
}

/** A panel gives nothing all night, and a full battery stands still for hours: both have a cause, and are not stuck. */
function stuckNames(stills: CheckState['stills'], { panelWatts = 0 }: CheckSpec): Name[] {
  const hasMoved = (still: Still): boolean => still.mostClear - still.leastClear > movedShare * panelWatts
  const isStuck = (name: Name): boolean => {
    const still = stills[name]
    if (!still || panelWatts <= 0 || !hasMoved(still)) return false
    return still.seconds >= (name === 'solarWatts' && still.value > 0 ? stuckSolarSeconds : stuckSeconds)
  }
  return (['volts', 'amperes', 'solarWatts'] as const).filter(isStuck)
}

const channelOf = { volts: 'battery_voltage', amperes: 'battery_current', solarWatts: 'solar_power' } as const

const stuckFault = (name: Name, { value, seconds }: Still): Fault =>
  bad(
    'gauge-stuck',
    `${channelOf[name]} has read ${value} for ${Math.round(seconds / 3600)} h while the sun moved`,
  ).fault

/** What nothing speaks for or against leaves it as it was: a current that was turned at night is by day. */
function signOf(
  before: SignState,
  reading: PowerReading,
  spec: CheckSpec,
  sun: SunNow | undefined,
  seconds: number,
): SignState {
  const { turned, right } = signEvidence(reading, spec, sun)
  if ((turned !== undefined) === right) return before
  const next = before.seconds + (right ? -seconds : seconds)
  const bounded = Math.max(0, Math.min(signAfterSeconds, next))
  const isTurned = bounded >= signAfterSeconds || (before.isTurned && bounded > 0)
  return { seconds: bounded, isTurned, because: turned ?? before.because }
}

/** Both may speak at once: a charger that needs no sun. */
function signEvidence(
  { volts, amperes }: PowerReading,
  { capacityAmpereHours, chargingVolts }: CheckSpec,
  sun: SunNow | undefined,
): { turned?: string; right: boolean } {
  const least = Math.max(leastSignAmperes, leastSignShare * capacityAmpereHours)
  if (amperes === undefined || Math.abs(amperes) <= least) return { right: false }
  const isDark = sun !== undefined && sun.elevationDegrees < darkDegrees
  const isCharged = volts !== undefined && chargingVolts !== undefined && volts >= chargingVolts
  const reads = `battery_current reads ${amperes} A`
  if (amperes > 0) {
    const below = isDark ? Math.round(-sun.elevationDegrees) : 0
    const turned = isDark
      ? `${reads} into the battery with the sun ${below} degrees below the horizon`
      : undefined
    return { turned, right: isCharged }
  }
  const turned = isCharged
    ? `${reads} out of the battery at ${volts} V, which only charging reaches`
    : undefined
  return { turned, right: isDark }
}
