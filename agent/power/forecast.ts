/**
 * What the panel will bring a day: by the sun's way and an assumed clearness at first, by what it brought of late the more
 * days were seen. A bad spell is the week that only one of ten falls short of.
 */
import type { Random } from '../terms/terms.js'
import { onTiltedPlane, clearSkyWatts } from './sky.js'
import { cosIncidence, sinDeg, sunPosition, type SunPosition } from './sun.js'
import { badSpellLight, madeDays, monthlyLight, skyAt, type MadeDays, type Sky } from './year.js'
import type { UtcMillis } from '../terms/terms.js'

export interface PanelPlace {
  readonly latitudeDegrees: number
  readonly longitudeDegrees: number
  readonly tiltDegrees: number
  /** From north, clockwise. */
  readonly azimuthDegrees: number
  readonly panelWatts: number
  /** Share of rated power times light that reaches the battery. */
  readonly yieldShare: number
}

/** Wh a day by month, before anything was learned. */
export interface HarvestTable {
  readonly normal: readonly number[]
  readonly bad: readonly number[]
}

const madeYears = 20
/** Of a plane that does not face the equator the table knows nothing; the learned share corrects it. */
export function harvestTable(place: PanelPlace): HarvestTable {
  const days = madeDays(skyAt(place.latitudeDegrees, place.tiltDegrees), madeYears, seeded(1))
  const wattHours = (light: number): number => (light / 1000) * place.panelWatts * place.yieldShare
  return { normal: monthlyLight(days).map(wattHours), bad: badSpellLight(days).map(wattHours) }
}

const darkYears = 100
/** A worse year than all made ones will come. */
const worseShare = 1.5

/**
 * Wh by month that a battery must hold above its cut-off at the beginning of a day, so that the heartbeat comes through what
 * follows in every one of the made years: backwards from day to day, what a day lacks is added and what it has over is
 * taken off. A day's own night comes on top.
 * @param panelWattHours of Wh/m² on the panel
 */
export function darkReserves(
  days: MadeDays,
  panelWattHours: (light: number) => number,
  boardWattHours: number,
  { charge, discharge }: { readonly charge: number; readonly discharge: number },
): number[] {
  const most = Array<number>(12).fill(0)
  let need = 0
  for (let day = days.light.length - 1; day >= 0; day--) {
    const net = panelWattHours(days.light[day]) - boardWattHours
    need = Math.max(0, need - (net >= 0 ? net * charge : net / discharge))
    const month = days.months[day]
    most[month] = Math.max(most[month], need)
  }
  return most.map((wattHours) => worseShare * wattHours + (nightShare * boardWattHours) / discharge)
}

const nightShare = 0.7

/** Days that share nothing with those of another seed. */
export const darkDays = (sky: Sky): MadeDays => madeDays(sky, darkYears, seeded(2))

/** The same years each time (mulberry32). */
function seeded(seed: number): Random {
  let state = seed
  return {
    next: () => {
      state = (state + 0x6d2b79f5) | 0
      let mixed = Math.imul(state ^ (state >>> 15), 1 | state)
      mixed = (mixed + Math.imul(mixed ^ (mixed >>> 7), 61 | mixed)) ^ mixed
      return ((mixed ^ (mixed >>> 14)) >>> 0) / 4_294_967_296
    },
  }
}

/** Diffuse share under a clear sky. */
const clearDiffuse = 0.165
const leastUp = 0.02

/** Watts of the panel under a clear sky, and where the sun stands. */
export function clearPanelWatts(place: PanelPlace, at: UtcMillis): { sun: SunPosition; watts: number } {
  const { latitudeDegrees: latitude, tiltDegrees: tilt } = place
  const sun = sunPosition(at, latitude, place.longitudeDegrees)
  const up = sinDeg(sun.elevationDegrees)
  const level = clearSkyWatts(up)
  if (level <= 0) return { sun, watts: 0 }
  const { declinationDegrees: declination, hourAngleDegrees: hour } = sun
  const facing = place.azimuthDegrees - 180
  const onPlane = Math.max(0, cosIncidence(latitude, declination, hour, tilt, facing))
  const ratio = onPlane / Math.max(leastUp, up)
  const light = onTiltedPlane(level, clearDiffuse * level, ratio, tilt, 0.2).total
  // A low sun through thin air gives no more than a high one: the ratio of small numbers is not believed.
  const watts = (Math.min(light, 1100) / 1000) * place.panelWatts * place.yieldShare
  return { sun, watts }
}

/** What the panel brought of late. */
export interface HarvestMemory {
  /** Wh of the last days, oldest first, with what the table expected of them. */
  readonly days: readonly { readonly wattHours: number; readonly expected: number }[]
  /** Best share of the clear sky by hour of the day: shadows, learned; NaN-free, 0 where nothing was seen. */
  readonly bestByHour: readonly number[]
}

export const newHarvest: HarvestMemory = { days: [], bestByHour: Array<number>(24).fill(0) }

const rememberedDays = 30
/** So many days seen weigh as much as the table. */
const tableWeight = 7
const fadePerDay = 0.995
const leastFactor = 0.2
const mostFactor = 2

/** A day is over. */
export const rememberDay = (memory: HarvestMemory, wattHours: number, expected: number): HarvestMemory => ({
  days: [...memory.days, { wattHours, expected }].slice(-rememberedDays),
  bestByHour: memory.bestByHour.map((share) => share * fadePerDay),
})

/** An hour of the day is over in which the panel was free and a clear sky would have given something. */
export const rememberHour = (memory: HarvestMemory, hour: number, share: number): HarvestMemory => ({
  ...memory,
  bestByHour: memory.bestByHour.map((best, i) => (i === hour ? Math.max(best, Math.min(2, share)) : best)),
})

export interface HarvestForecast {
  readonly normalWattHours: number
  readonly badSpellWattHours: number
  readonly learnedDays: number
}

/**
 * @param month 0 to 11
 * @param share of the table's harvest that comes past the shadows (`unshadedShare`); what the days brought came past them
 */
export function forecastHarvest(
  memory: HarvestMemory,
  table: HarvestTable | undefined,
  month: number,
  share = 1,
): HarvestForecast {
  const learnedDays = memory.days.length
  if (!table) return { ...withoutTable(memory.days.map((day) => day.wattHours)), learnedDays }
  const brought = memory.days.reduce((sum, day) => sum + day.wattHours, 0)
  const expected = share * memory.days.reduce((sum, day) => sum + day.expected, 0)
  const normal = share * table.normal[month]
  const factor = (brought + tableWeight * normal) / Math.max(1e-9, expected + tableWeight * normal)
  const bounded = Math.max(leastFactor, Math.min(mostFactor, factor))
  return {
    normalWattHours: normal * bounded,
    badSpellWattHours: share * table.bad[month] * Math.min(1, bounded),
    learnedDays,
  }
}

/** Where nobody said where the panel stands: what it brought, and the worst day of ten. */
function withoutTable(days: readonly number[]): { normalWattHours: number; badSpellWattHours: number } {
  if (days.length === 0) return { normalWattHours: 0, badSpellWattHours: 0 }
  const sorted = [...days].sort((a, b) => a - b)
  const mean = days.reduce((sum, day) => sum + day, 0) / days.length
  return { normalWattHours: mean, badSpellWattHours: sorted[Math.floor(sorted.length / 10)] }
}
