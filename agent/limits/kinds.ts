/** The closed lists and shapes of published limits: what stands in config/limits, checked and with its units written out. */
import type { Exact } from './exact.js'

export const averagings = ['24-hour', 'annual'] as const
export type Averaging = (typeof averagings)[number]

/** What a document compares with the level. Only the first two can be said of one day or one year by itself. */
export const forms = [
  'not-exceeded',
  'annual-mean',
  'days-above',
  'percentile-99',
  'percentile-98-3-years',
  'annual-mean-3-years',
  'expected-exceedances-3-years',
] as const
export type Form = (typeof forms)[number]

export const comparisonMethods = ['as-computed', 'cut', 'round'] as const
export type ComparisonMethod = (typeof comparisonMethods)[number]

/** How sure a fact is: its wording was read, another text restates it, or it comes from memory. */
export const evidences = ['read', 'restated', 'memory', 'own'] as const
export type Evidence = (typeof evidences)[number]

export const limitChannels = ['pm1', 'pm2_5', 'pm10'] as const
export type LimitChannel = (typeof limitChannels)[number]

/** What is done to a value before it is set beside the level. */
export interface Comparison {
  readonly method: ComparisonMethod
  /** In µg/m³; of no meaning with 'as-computed'. */
  readonly step: Exact
}

/** When a day counts, and how its mean is written down. */
export interface DayRule {
  /** Hours of the day (midnight to midnight local standard time) that make it valid. */
  readonly hoursNeeded: number
  /** Hourly means are cut to steps of this many µg/m³ before the mean is taken. */
  readonly hourCut?: Exact
  /** The daily mean is cut to steps of this. */
  readonly dayCut?: Exact
  /** A day with fewer hours still counts when its mean with zero for each missing hour is at least this. */
  readonly shortDayAtLeast?: Exact
}

export interface Limit {
  /** 'us-pm2_5-24h': unique among all sets. */
  readonly id: string
  /** Name of the set it stands in; 'own' for those of the settings. */
  readonly set: string
  /** As it stands in a sentence: 'US 24-hour standard'. */
  readonly title: string
  readonly channel: LimitChannel
  /** µg/m³. */
  readonly level: number
  readonly averaging: Averaging
  readonly form: Form
  readonly formWords: string
  /** Days a year that may be above; absent where the form knows no such number. */
  readonly allowedDaysAbove?: number
  readonly comparison: Comparison
  readonly day: DayRule
  /** Part of the year's days that must be valid, percent. */
  readonly yearCapturePercent?: number
  readonly document: string
  readonly clause: string
  /** First day it applies, 'YYYY-MM-DD'; absent: not known. */
  readonly from?: string
  /** Last day it applies; absent: still in force, or not known to end. */
  readonly to?: string
  readonly evidence: { readonly level: Evidence; readonly comparison: Evidence; readonly dates: Evidence }
  readonly note?: string
}

/** One row of an index: concentrations and index points from low to high, both ends included. */
export interface IndexRow {
  readonly category: string
  readonly low: number
  readonly high: number
  readonly indexLow: number
  readonly indexHigh: number
}

/** The breakpoints of an air quality index for one channel. */
export interface IndexTable {
  readonly channel: LimitChannel
  /** Concentrations are cut to steps of this before the index is taken. */
  readonly step: Exact
  readonly rows: readonly IndexRow[]
  readonly document: string
  readonly clause: string
  readonly from?: string
  readonly to?: string
  readonly evidence: Evidence
}

export interface LimitSet {
  /** 'us-national': the name that settings use. */
  readonly name: string
  readonly title: string
  readonly limits: readonly Limit[]
  /** Only a set whose documents define an index has tables. */
  readonly index: readonly IndexTable[]
}
