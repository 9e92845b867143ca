import type { Scaling } from '../terms/terms.js'
import type { LimitChannel } from './kinds.js'

export const scalingNames: readonly Scaling[] = ['atmospheric', 'standard-particle']

export type CorrectionForm =
  /** corrected = intercept + slope x value. */
  | { readonly kind: 'linear'; readonly intercept: number; readonly slope: number }
  /** … + perHumidity x %RH. */
  | {
      readonly kind: 'linear-humidity'
      readonly intercept: number
      readonly slope: number
      readonly perHumidity: number
    }
  /** intercept + slope x value / (1 + (kappa / dryDensity) / (100 / %RH - 1)), density in g/cm³; as published without a line. */
  | {
      readonly kind: 'growth'
      readonly kappa: number
      readonly dryDensity: number
      /** 0 where absent. */
      readonly intercept?: number
      /** 1 where absent. */
      readonly slope?: number
    }

export type Range95 = readonly [low: number, high: number]

/** 95 % intervals of a run's form; absent where none was told. */
export interface FormInterval {
  readonly intercept?: Range95
  readonly slope?: Range95
  readonly perHumidity?: Range95
  readonly kappa?: Range95
  /** Corrected values of a few raw ones, µg/m³, at the humidity below. */
  readonly levels: readonly { readonly raw: number; readonly interval: Range95 }[]
  /** %RH; absent where the form knows none. */
  readonly levelsHumidityPercent?: number
}

/** One time side by side. */
export interface CorrectionRun {
  readonly form: CorrectionForm
  /** First and last day, 'YYYY-MM-DD'. */
  readonly from: string
  readonly to: string
  readonly interval?: FormInterval
}

/** Which of several runs corrects a figure: the first, the last, or what lies between two in proportion to time. */
export const appliedRuns = ['first', 'last', 'linear'] as const
export type AppliedRun = (typeof appliedRuns)[number]

export interface Correction {
  readonly name: string
  readonly channel: LimitChannel
  /** Serial number of the one unit it belongs to. */
  readonly serial: string
  /** The mass output it was made for; absent where the sensor has only one. */
  readonly scaling?: Scaling
  /** Of the newest run. */
  readonly form: CorrectionForm
  /** Raw values it holds for, µg/m³, both ends included. */
  readonly lowest: number
  readonly highest: number
  readonly mostHumidityPercent: number
  /** Day it was made, 'YYYY-MM-DD'. */
  readonly made: string
  /** The run or the publication behind it. */
  readonly source: string
  /** Of the newest run; absent where no run stands behind it. */
  readonly run?: Omit<CorrectionRun, 'form'>
  /** Runs of the same unit before, oldest first, and what is made of all. */
  readonly earlier?: { readonly apply: AppliedRun; readonly runs: readonly CorrectionRun[] }
}
