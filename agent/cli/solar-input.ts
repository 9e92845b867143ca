import {
  chemistries,
  chemistryNames,
  clearest,
  samplingSteps,
  skyAt,
  skyOfPlane,
  type Chemistry,
  type Load,
  type SamplingStep,
  type Sky,
} from '../power/power.js'

/** As typed. */
export interface SolarOptions {
  readonly latitude?: string
  readonly tilt?: string
  readonly insolation?: string
  readonly panel?: string
  readonly battery?: string
  readonly chemistry?: string
  readonly batteryCelsius?: string
  readonly load?: string
  readonly sensor?: string
  readonly plan?: string
  readonly days?: string
  readonly loss?: string
  readonly years?: string
  readonly seed?: string
  /** File for the drawing. */
  readonly svg?: string
  readonly json?: boolean
}

export interface SolarWish {
  readonly latitude?: number
  readonly tilt: number
  readonly insolation?: readonly number[]
  readonly sky: Sky
  readonly panelWatts?: number
  readonly batteryWattHours?: number
  readonly chemistry: Chemistry
  readonly batteryCelsius: number
  readonly load: Load
  readonly plan: SamplingStep
  readonly days: number
  readonly lossPercent: number
  readonly years: number
  readonly seed: number
}

export type SolarRead =
  { readonly ok: true; readonly wish: SolarWish } | { readonly ok: false; readonly words: readonly string[] }

/** A fan sensor and a board that idles: common practice. */
const usual = { load: 48, sensor: 12, days: 7, lossPercent: 1, years: 100, seed: 1 }

const numberShape = /^[+-]?(\d+\.?\d*|\.\d+)$/
const asNumber = (text: string): number => (numberShape.test(text.trim()) ? Number(text) : NaN)

/** Reads one number after the other and keeps what is wrong with them. */
class Reader {
  readonly words: string[] = []

  number(
    name: string,
    text: string | undefined,
    lowest: number,
    highest: number,
    unit: string,
  ): number | undefined {
    if (text === undefined) return undefined
    const value = asNumber(text)
    if (value >= lowest && value <= highest) return value
    this.words.push(`--${name}: ${text} cannot be; allowed: ${lowest} to ${highest} ${unit}`)
    return undefined
  }

  oneOf<T extends string>(name: string, text: string, allowed: readonly T[]): T {
    const found = allowed.find((word) => word === text.toLowerCase())
    if (found === undefined)
      this.words.push(`--${name}: '${text}' is not known; known: ${allowed.join(', ')}`)
    return found ?? allowed[0]
  }

  /** '40Ah' at the volts of the chemistry, or '480Wh'. */
  battery(text: string | undefined, volts: number): number | undefined {
    if (text === undefined) return undefined
    const m = /^(\d+\.?\d*)\s*(ah|wh)$/i.exec(text.trim())
    const wattHours = m ? Number(m[1]) * (m[2].toLowerCase() === 'ah' ? volts : 1) : NaN
    if (wattHours >= 1 && wattHours <= 100_000) return wattHours
    this.words.push(`--battery: '${text}' is not understood; say it as 40Ah (at ${volts} V) or 480Wh`)
    return undefined
  }

  /** Twelve figures, January first. */
  months(text: string | undefined): number[] | undefined {
    if (text === undefined) return undefined
    const figures = text
      .split(/[\s,;]+/)
      .filter((part) => part !== '')
      .map(asNumber)
    if (figures.length === 12 && figures.every((figure) => figure >= 0 && figure <= 15)) return figures
    this.words.push('--insolation: twelve figures are needed, January first, each 0 to 15 kWh/m² a day')
    return undefined
  }
}

/** Everything that was typed, or everything that is wrong with it. */
export function readSolar(options: SolarOptions): SolarRead {
  const read = new Reader()
  const chemistry = chemistries[read.oneOf('chemistry', options.chemistry ?? 'lifepo4', chemistryNames)]
  const steps = samplingSteps.map(({ step }) => step)
  const plan = read.oneOf('plan', options.plan ?? 'continuous', steps)
  const latitude = read.number('latitude', options.latitude, -90, 90, 'degrees, south below 0')
  const insolation = read.months(options.insolation)
  const tilt = read.number('tilt', options.tilt, 0, 90, 'degrees from level') ?? usualTilt(latitude)
  const wish = {
    latitude,
    tilt,
    insolation,
    panelWatts: read.number('panel', options.panel, 1, 2000, 'W'),
    batteryWattHours: read.battery(options.battery, chemistry.tableVolts),
    chemistry,
    batteryCelsius: read.number('battery-celsius', options.batteryCelsius, -40, 50, '°C') ?? 0,
    load: readLoad(read, options),
    plan,
    days: read.number('days', options.days, 1, 60, 'days') ?? usual.days,
    lossPercent: read.number('loss', options.loss, 0, 50, '%') ?? usual.lossPercent,
    years: Math.round(read.number('years', options.years, 1, 500, 'years') ?? usual.years),
    seed: Math.round(read.number('seed', options.seed, 0, 1e9, '') ?? usual.seed),
  }
  if (options.latitude === undefined && options.insolation === undefined)
    read.words.push("--latitude is needed, or --insolation with twelve figures for the panel's own plane")
  if (read.words.length > 0) return { ok: false, words: read.words }
  const sky = latitude === undefined ? skyOfPlane(insolation!) : skyAt(latitude, tilt, insolation)
  const tooBright = latitude === undefined ? -1 : sky.findIndex(({ clearness }) => clearness > clearest)
  if (tooBright >= 0) return { ok: false, words: [brightWords(sky, insolation!, tooBright)] }
  return { ok: true, wish: { ...wish, sky } }
}

/** For the winter: common practice. */
const usualTilt = (latitude: number | undefined): number =>
  Math.min(75, Math.round(Math.abs(latitude ?? 0) + 15))

function readLoad(read: Reader, options: SolarOptions): Load {
  const load = read.number('load', options.load, 0.1, 10_000, 'Wh a day') ?? usual.load
  const sensor =
    read.number('sensor', options.sensor, 0, 10_000, 'Wh a day') ?? Math.min(usual.sensor, load / 2)
  if (sensor > load)
    read.words.push(`--sensor: ${sensor} Wh a day cannot be more than the whole load, ${load}`)
  return { boardWattHours: load - sensor, sensorWattHours: sensor }
}

function brightWords(sky: Sky, insolation: readonly number[], month: number): string {
  const most = (sky[month].levelDay * clearest) / 1000
  return (
    `--insolation: ${insolation[month]} kWh/m² a day in month ${month + 1} is more than a level plane gets there ` +
    `under the clearest sky, ${most.toFixed(1)}`
  )
}
