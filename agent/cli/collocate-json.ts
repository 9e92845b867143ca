/** What a side-by-side run says, for programs. */
import { heldOutFolds, pm25Targets } from '../analysis/analysis.js'
import { dayText } from '../averages/averages.js'
import { correctionPlain } from '../limits/limits.js'
import type { CollocateFound } from './collocate.js'
import type { UnitFound } from './collocate-unit.js'
import { fitTroubleWords, verdictText } from './collocate-words.js'
import type { Written } from './collocate-write.js'
import { draws } from './compare-seed.js'

export function collocateJson(
  found: CollocateFound,
  written: readonly Written[],
  drawn: readonly string[],
): string {
  const { reference, run, units } = found
  return JSON.stringify(
    {
      channel: found.channel,
      verdict: found.verdict,
      words: verdictText(found),
      document: pm25Targets.document,
      standard_offset_min: found.zone.offsetMinutes,
      first_day: dayText(found.firstDay),
      last_day: dayText(found.lastDay),
      days: run.days,
      reference: {
        name: reference.name,
        step_s: reference.stepSeconds,
        data_capture: found.referenceCapture,
      },
      all_units: {
        ...{ rmse: run.rmse, bias: run.bias, nrmse_percent: run.nrmsePercent ?? null },
        ...{ sd: run.sd ?? null, cv_percent: run.cvPercent ?? null },
      },
      units: units.map(unitJson),
      pairs: found.pairs.map(({ first, second, days, difference, sd, cvPercent, rSquared }) => ({
        units: [units[first].hours.name, units[second].hours.name],
        ...{ days, difference, sd: sd ?? null, cv_percent: cvPercent ?? null, r_squared: rSquared ?? null },
      })),
      form: found.form,
      draws,
      seed: found.seed,
      held_out_folds: heldOutFolds,
      written: written.map(({ file, correction }) => ({ file, correction: correctionPlain(correction) })),
      drawn,
    },
    undefined,
    2,
  )
}

const unitJson = (unit: UnitFound) => ({
  name: unit.hours.name,
  channel: unit.hours.channel,
  serial: unit.serial ?? null,
  days: unit.days,
  data_capture: unit.capture,
  r_squared: unit.line?.rSquared ?? null,
  slope: unit.line?.slope ?? null,
  intercept: unit.line?.intercept ?? null,
  rmse: unit.distance?.rmse ?? null,
  nrmse_percent: unit.distance?.nrmsePercent ?? null,
  bias: unit.distance?.bias ?? null,
  targets: unit.targets ?? null,
  slip_h: unit.lag?.slipHours ?? null,
  lags:
    unit.lag?.fits.map(({ lagHours, rSquared, pairs }) => ({
      ...{ lag_h: lagHours, r_squared: rSquared, pairs },
    })) ?? [],
  correction: correctionJson(unit),
  no_correction: unit.fit ? null : fitTroubleWords(unit),
  drift: driftJson(unit),
})

function correctionJson({ fit, humid, humidity }: UnitFound) {
  if (!fit) return null
  return {
    form: fit.form,
    ...{ slope: fit.slope, slope_95: fit.slopeInterval, pairs: fit.pairs },
    ...{ intercept: fit.intercept, intercept_95: fit.interceptInterval },
    per_humidity_95: fit.perHumidityInterval ?? null,
    kappa_95: fit.kappaInterval ?? null,
    ...{ lowest: fit.lowest, highest: fit.highest, days: fit.days },
    levels: fit.levels.map(({ raw, corrected, interval }) => ({ raw, corrected, corrected_95: interval })),
    humidity: humid
      ? { from: humidity.name ?? null, range_5_95: humid.range ?? null, mean: fit.meanHumidityPercent }
      : null,
    held_out: fit.heldOut,
    held_out_plain_line: humid?.plainHeldOut ?? null,
  }
}

function driftJson({ drift, previous }: UnitFound) {
  if (!drift) return null
  const { isShown, humidityPercent, ...changes } = drift
  return {
    since: { from: previous!.run!.from, to: previous!.run!.to },
    is_shown: isShown ?? null,
    humidity_percent: humidityPercent ?? null,
    ...changes,
  }
}
