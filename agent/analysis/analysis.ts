/**
 * analysis: what is worked out at the desk from series of figures: agreement, differences, trends, directions.
 *
 * In: plain numbers in µg/m³, °, m/s; a missing value is NaN where a function says so and absent otherwise.
 * Out: percentiles, straight lines, distances between series, rank tests, blocks for resampling, wind sectors, the figures
 * of a side-by-side run with the US EPA's targets for PM2.5 sensors, its correction (plain, with humidity, growth), its lag,
 * the drift since an earlier run, whether a station beside its neighbours is suspect, and the change between like hours of the week before and after something was done.
 * Assumed: values are comparable: one unit, one scaling, valid hours or days only. The caller sees to that.
 * Refused: what has no answer (no values, no variation) is undefined or NaN, never a made-up number. Nothing random is
 * drawn here: the starts of blocks come from the caller.
 *
 * The percentiles here are not the regulatory rank of limits; the two share no code on purpose.
 */
export {
  changeInterval,
  matchedChange,
  seasonDistance,
  seasonsDiffer,
  usualBlockDays,
  widenedInterval,
  type WeekdayHours,
} from './before-after.js'
export {
  fitCorrection,
  heldOutFolds,
  humidDays,
  leastCorrectionDays,
  leastHumidityRange,
  leastHumidityShare,
  type CorrectionFit,
  type DayPairs,
  type Draws,
  type FitKind,
  type HeldOut,
  type HumidityTrouble,
  type Interval,
} from './correction-fit.js'
export { driftOf, type Drift, type DriftChange, type DriftLevel, type DriftRun } from './drift.js'
export { episodesIn, type Episode, type EpisodeHour, type EpisodeRule } from './episodes.js'
export { GrowthSums, type GrowthDay, type GrowthLine } from './growth-fit.js'
export { lagTest, type LagFit, type LagTest } from './lag.js'
export { unitPairs, type UnitPair } from './pairs.js'
export { complementaryError, rankTest, shiftOf, type RankTest } from './rank-test.js'
export {
  distance,
  leastSquares,
  leastSquaresHumid,
  medianSlope,
  type Distance,
  type Line,
  type MedianLine,
  type Plane,
} from './regression.js'
export { effectiveCount, joinBlocks, lagOneCorrelation } from './resample.js'
export { sectorOf, sectorShares, type SectorShares, type WindRecord } from './sectors.js'
export {
  besideTargets,
  pm25Targets,
  sideBySide,
  targetVerdict,
  type SideBySide,
  type TargetFigures,
  type Targets,
  type TargetVerdict,
} from './side-by-side.js'
export { meanOf, medianOf, percentile7, percentileNearestRank } from './spread.js'
export {
  suspectLevels,
  suspicionsOf,
  type StationHours,
  type SuspectCode,
  type SuspectLevels,
  type Suspicion,
} from './suspect.js'
export { compassPoint, windMean, type WindMean, type WindSample } from './wind-mean.js'
