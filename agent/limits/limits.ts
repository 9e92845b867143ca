/**
 * limits: what a figure is set beside, by which rule, and what may be said of it.
 *
 * In: hourly means of one channel with whether each hour counts; limits as plain parsed values (config/limits/*.yaml, own
 * ones from the settings); corrections as plain parsed values; the basis and uncertainty of a channel.
 * Out: days under the rule of a limit, running 24 hours, NowCast and air quality index, figures over quarters and years,
 * and for each figure a verdict (above, below, too close to tell, not enough data) with the strict arithmetic beside it.
 * Corrected values, always with the raw one. All words about them for people.
 * Assumed: µg/m³ throughout; hours and days in local standard time, which has no summer. What is cut or rounded is done in
 * exact decimals, so that a mean of 12.7 is never cut to 12.6.
 * Refused: limits and corrections with unknown keys, missing facts or values out of range, every fault with its key path;
 * a correction for another unit, scaling or channel, outside its range or above its humidity; an index of anything but a
 * NowCast or a valid day, or of a set that defines none. 'Below' is never said of inferred values or beyond the range.
 *
 * Levels, dates and breakpoints are data, never code. No file is read here.
 */
export { airIndex, indexOf, type AirIndex, type IndexOutcome, type IndexSource } from './air-index.js'
export {
  applyCorrection,
  correctedValue,
  correctionRefusals,
  growthMassFactor,
  growthSizeFactors,
  type Corrected,
  type CorrectionRefusal,
  type Uncorrected,
} from './corrections.js'
export { correctionPlain, mostGrowthHumidity, readCorrection } from './correction-file.js'
export {
  appliedRuns,
  type AppliedRun,
  type Correction,
  type CorrectionForm,
  type CorrectionRun,
  type FormInterval,
  type Range95,
} from './correction-kinds.js'
export { dayValue, hoursOfDay, plainDay, type DayMethod, type DayValue } from './day-value.js'
export { cut, exact, meanOf, rounded, toNumber, type Exact } from './exact.js'
export { judgeDay, type ChannelFacts, type DayJudgement } from './judge-day.js'
export {
  averagings,
  forms,
  limitChannels,
  type Averaging,
  type Comparison,
  type DayRule,
  type Evidence,
  type Form,
  type IndexRow,
  type IndexTable,
  type Limit,
  type LimitChannel,
  type LimitSet,
} from './kinds.js'
export { nowCast, type NowCast, type NowCastFigure } from './nowcast.js'
export type { PlainFault, PlainRead } from './plain.js'
export { readLimitSet, readOwnLimits } from './read-limits.js'
export {
  daysOf,
  hourMeanOf,
  hourOfDayMeans,
  HourSeries,
  rollingMaximum,
  standardHour,
  twelveHours,
  type DatedDay,
  type HourMean,
  type RollingMaximum,
} from './series.js'
export { uncertaintyAfter } from './side-by-side.js'
export { indexSet, isInForce, limitsInForce, shownLimits, usualSet, type Shown } from './sets.js'
export {
  compared,
  daysAbove,
  intervalOf,
  isAboveLimit,
  judge,
  notCompared,
  verdicts,
  type DaysAbove,
  type Doubt,
  type Figure,
  type Judgement,
  type Uncertainty,
  type VerdictWord,
} from './verdict.js'
export {
  correctionRefusalWords,
  dayWords,
  evidenceWords,
  figureText,
  indexWords,
  judgementWords,
  limitWords,
  noIndexWords,
  verdictWords,
  yearWords,
} from './words.js'
export { yearFigure, yearKinds, type QuarterFigure, type YearFigure, type YearKind } from './year-figure.js'
export {
  annualDesignValue,
  annualMean,
  dailyDesignValue,
  exceedance10,
  expectedExceedances,
  percentile98,
  quarterCapture,
  quarterExceedances,
  quarterOf,
  rank98,
  stratifiedExceedances,
  usableAnnualYear,
  usableDailyYear,
  yearExceedances,
  type AnnualMean,
  type Capture,
  type DesignValue,
} from './years.js'
