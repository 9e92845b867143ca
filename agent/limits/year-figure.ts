/**
 * What one calendar year of days gives for one limit, by the form of the limit. A form over three years gets one year of
 * its three here; nothing is concluded from it about a standard.
 */
import { dividedBy, exact, meanOf, rounded, toNumber, whole } from './exact.js'
import type { Form, Limit } from './kinds.js'
import type { DatedDay } from './series.js'
import { isAboveLimit } from './verdict.js'
import {
  annualMean,
  percentile98,
  quarterCapture,
  quarterExceedances,
  quarterOf,
  yearExceedances,
  type Capture,
} from './years.js'

export interface QuarterFigure extends Capture {
  readonly days: number
  readonly validDays: number
  /** Undefined without a valid day. */
  readonly mean?: number
  readonly daysAbove: number
}

export const yearKinds = ['annual-mean', 'percentile-98', 'estimated-exceedances', 'days-above'] as const
export type YearKind = (typeof yearKinds)[number]

export interface YearFigure {
  readonly year: number
  readonly kind: YearKind
  /** How many such years the form of the limit needs: 1 or 3. */
  readonly yearsNeeded: 1 | 3
  /** µg/m³ for a mean or percentile, days for the others; undefined where there is nothing to make it of. */
  readonly value?: number
  readonly days: number
  readonly validDays: number
  /** Rounded to a whole number. */
  readonly capturePercent: number
  /** By the capture rule of the limit; undefined where its document gives none. */
  readonly complete?: boolean
  readonly quarters: readonly QuarterFigure[]
  /** For a percentile: its place from the highest day. */
  readonly rankFromTop?: number
}

const kindOfForm: Readonly<Record<Form, YearKind>> = {
  'not-exceeded': 'days-above',
  'days-above': 'days-above',
  'percentile-99': 'days-above',
  'annual-mean': 'annual-mean',
  'annual-mean-3-years': 'annual-mean',
  'percentile-98-3-years': 'percentile-98',
  'expected-exceedances-3-years': 'estimated-exceedances',
}
const byQuarters: readonly Form[] = [
  'annual-mean-3-years',
  'percentile-98-3-years',
  'expected-exceedances-3-years',
]

interface ValidDay {
  readonly quarter: number
  readonly value: number
}

/** @param days made under the day rule of the limit; days of other years and days that are not valid do not count */
export function yearFigure(days: readonly DatedDay[], limit: Limit, year: number): YearFigure {
  const valid = days.flatMap(({ day, figure }): ValidDay[] =>
    figure.valid && Number(day.slice(0, 4)) === year
      ? [{ quarter: quarterOf(day), value: figure.value }]
      : [],
  )
  const quarters = [0, 1, 2, 3].map((quarter) => quarterFigure(valid, limit, year, quarter))
  const daysOfYear = quarters.reduce((sum, quarter) => sum + quarter.days, 0)
  const percent = toNumber(rounded(dividedBy(whole(valid.length * 100), daysOfYear), whole(1)))
  const kind = kindOfForm[limit.form]
  return {
    year,
    kind,
    yearsNeeded: byQuarters.includes(limit.form) ? 3 : 1,
    ...valueOf(kind, valid, quarters, limit),
    days: daysOfYear,
    validDays: valid.length,
    capturePercent: percent,
    ...completeness(limit, percent, quarters),
    quarters,
  }
}

function quarterFigure(
  valid: readonly ValidDay[],
  limit: Limit,
  year: number,
  quarter: number,
): QuarterFigure {
  const values = valid.filter((day) => day.quarter === quarter).map(({ value }) => value)
  const days = (Date.UTC(year, quarter * 3 + 3, 1) - Date.UTC(year, quarter * 3, 1)) / 86_400_000
  const mean = meanOf(values.map(exact))
  return {
    days,
    validDays: values.length,
    ...quarterCapture(values.length, days),
    ...(mean ? { mean: toNumber(mean) } : {}),
    daysAbove: values.filter((value) => isAboveLimit(value, limit)).length,
  }
}

/** US rules ask for each quarter by itself, the others for the year as a whole. */
function completeness(
  limit: Limit,
  percent: number,
  quarters: readonly QuarterFigure[],
): { complete?: boolean } {
  if (limit.yearCapturePercent === undefined) return {}
  if (byQuarters.includes(limit.form)) return { complete: quarters.every((quarter) => quarter.complete) }
  return { complete: percent >= limit.yearCapturePercent }
}

function valueOf(
  kind: YearKind,
  valid: readonly ValidDay[],
  quarters: readonly QuarterFigure[],
  limit: Limit,
): { value?: number; rankFromTop?: number } {
  const values = valid.map(({ value }) => value)
  if (values.length === 0) return {}
  if (kind === 'days-above') return { value: values.filter((value) => isAboveLimit(value, limit)).length }
  if (kind === 'percentile-98') return percentile98(values) ?? {}
  if (kind === 'estimated-exceedances') return exceedancesOf(quarters)
  if (limit.form === 'annual-mean') return { value: toNumber(meanOf(values.map(exact))!) }
  const ofQuarter = (quarter: number) =>
    valid.filter((day) => day.quarter === quarter).map(({ value }) => value)
  return { value: annualMean([0, 1, 2, 3].map(ofQuarter)).mean }
}

/** A quarter without a valid day leaves the year without an estimate. */
function exceedancesOf(quarters: readonly QuarterFigure[]): { value?: number } {
  const estimates = quarters.map(({ daysAbove, days, validDays }) =>
    quarterExceedances(daysAbove, days, validDays),
  )
  const known = estimates.filter((estimate) => estimate !== undefined)
  return known.length === 4 ? { value: yearExceedances(known).rounded } : {}
}
