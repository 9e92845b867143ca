/** What a side-by-side run says. */
import { pm25Targets, type Distance } from '../analysis/analysis.js'
import { dayText } from '../averages/averages.js'
import { nameOf } from './desk-records.js'
import { zoneWords } from './desk-zone.js'
import { hasSlip, missedTargets, type CollocateFound, type UnitFound } from './collocate.js'
import type { Written } from './collocate-write.js'
import { draws } from './compare-seed.js'
import { folded, tableText, textWidth } from './plain-text.js'

export function collocateText(found: CollocateFound, written: Written | undefined): string[] {
  const fold = (text: string): string => folded(text, textWidth, 2)
  return [
    fold(verdictText(found)),
    ...found.units.filter(hasSlip).map((unit) => fold(slipText(unit))),
    '',
    fold(
      `${found.channel}, µg/m³, daily means beside ${found.reference.name}, ${dayText(found.firstDay)} to ${dayText(found.lastDay)}`,
    ),
    zoneWords(found.zone),
    fold(
      `${found.run.days} valid days with reference and unit; data capture of the reference ${percent(found.referenceCapture)}`,
    ),
    '',
    ...tableText([headings, ...found.units.map(unitRow)], 1),
    '',
    fold(precisionText(found)),
    ...found.units.map((unit) => fold(lagText(unit, found))),
    '',
    ...found.units.flatMap((unit) => correctionLines(unit, found).map(fold)),
    ...(written ? ['', ...writtenLines(written).map(fold)] : []),
  ]
}

/** What may be said, first. */
export function verdictText({ verdict, units, run, channel }: CollocateFound): string {
  const { document, sensorsAtLeast, daysAtLeast } = pm25Targets
  if (verdict === 'within-targets') return `Within the targets for PM2.5 sensors of ${document}.`
  if (verdict === 'outside-targets') {
    const misses = units.flatMap((unit) => {
      const missed = missedTargets(unit)
      return missed.length > 0 ? [`${unit.hours.name}: ${missed.join(', ')}`] : []
    })
    return `Outside the targets for PM2.5 sensors of ${document}: ${misses.join('; ')}.`
  }
  if (nameOf(channel) !== 'pm2_5') return `Indicative, not judged: the targets of ${document} are for PM2.5.`
  const short = [
    ...(units.length < sensorsAtLeast ? [`${units.length} of ${sensorsAtLeast} units`] : []),
    ...(run.days < daysAtLeast ? [`${run.days} of ${daysAtLeast} days`] : []),
  ]
  return `Indicative, not judged: ${short.join(' and ')} (${document}).`
}

function slipText({ hours, lag }: UnitFound): string {
  const slip = lag!.slipHours!
  const [asIs, best] = [0, slip].map((at) =>
    lag!.fits.find(({ lagHours }) => lagHours === at)!.rSquared.toFixed(3),
  )
  return (
    `SLIP: the figures of ${hours.name} fit best when taken ${Math.abs(slip)} h ${slip > 0 ? 'later' : 'earlier'} than the reference's ` +
    `(R² ${best}, as they stand ${asIs}). Is one of them named by the start of its hours and the other by the end (--label), or is a zone wrong?`
  )
}

const headings = ['unit', 'days', 'capture', 'R²', 'slope', 'intercept', 'RMSE', 'NRMSE', 'bias']
const percent = (share: number): string => `${(share * 100).toFixed(1)} %`

function unitRow({ hours, days, capture, line, distance }: UnitFound): string[] {
  return [
    hours.name,
    String(days),
    percent(capture),
    line ? line.rSquared.toFixed(3) : '-',
    line ? line.slope.toFixed(3) : '-',
    line ? line.intercept.toFixed(2) : '-',
    distance ? distance.rmse.toFixed(2) : '-',
    distance?.nrmsePercent === undefined ? '-' : `${distance.nrmsePercent.toFixed(1)} %`,
    distance ? distance.bias.toFixed(2) : '-',
  ]
}

function precisionText({ run }: CollocateFound): string {
  const nrmse = run.nrmsePercent === undefined ? '' : `, NRMSE ${run.nrmsePercent.toFixed(1)} %`
  const all = `all units: RMSE ${run.rmse.toFixed(2)}${nrmse}, bias ${run.bias.toFixed(2)}`
  if (run.sd === undefined || run.cvPercent === undefined)
    return `${all}; a single unit has no precision between units`
  return `${all}; between the units SD ${run.sd.toFixed(2)}, CV ${run.cvPercent.toFixed(1)} %`
}

function lagText({ hours, lag }: UnitFound, { reference }: CollocateFound): string {
  if (!lag)
    return `${hours.name}: no lag test, the reference has one figure in ${reference.stepSeconds / 3600} h`
  if (lag.slipHours === undefined) return `${hours.name}: no lag test, fewer than 72 hours together`
  if (lag.slipHours === 0) return `${hours.name}: its hours fit those of the reference best as they stand`
  const fits = lag.fits.map(({ lagHours, rSquared }) => `${lagHours} h ${rSquared.toFixed(3)}`)
  return `${hours.name}: R² by hours later: ${fits.join(', ')}`
}

export const intervalText = ([low, high]: readonly [number, number], places: number): string =>
  `${low.toFixed(places)} to ${high.toFixed(places)}`

function correctionLines(unit: UnitFound, { byHours, seed }: CollocateFound): string[] {
  const { hours, fit } = unit
  if (hasSlip(unit)) return [`${hours.name}: no correction while its hours slip`]
  if (!fit) return [`${hours.name}: no correction; it needs 10 days and figures that vary`]
  const { heldOut } = fit
  const doubt = heldOut.corrected.rmse < heldOut.raw.rmse ? '' : ': the correction does not help'
  const sign = fit.intercept < 0 ? '-' : '+'
  const told = ({ rmse, bias }: Distance): string => `RMSE ${rmse.toFixed(2)}, bias ${bias.toFixed(2)}`
  return [
    `${hours.name}: reference = ${fit.slope.toFixed(3)} x unit ${sign} ${Math.abs(fit.intercept).toFixed(2)}, from ${fit.pairs} ${byHours ? 'hours' : 'days'}; ` +
      `95 %: slope ${intervalText(fit.slopeInterval, 3)}, intercept ${intervalText(fit.interceptInterval, 2)} ` +
      `(blocks of 3 days, ${draws} draws, seed ${seed}); holds for ${fit.lowest.toFixed(1)} to ${fit.highest.toFixed(1)}`,
    `  on ${heldOut.days} days held out in turn: raw ${told(heldOut.raw)}; corrected ${told(heldOut.corrected)}${doubt}`,
  ]
}

function writtenLines({ file, humidityUnknown }: Written): string[] {
  const humid =
    'Humidity was not recorded: the correction is used at any, and swelling in damp air is not in it.'
  return [`written: ${file}`, ...(humidityUnknown ? [humid] : [])]
}

export function collocateJson(found: CollocateFound, written: Written | undefined): string {
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
      units: units.map((unit) => unitJson(unit)),
      draws,
      seed: found.seed,
      written: written?.file ?? null,
    },
    undefined,
    2,
  )
}

const unitJson = ({ hours, days, capture, line, distance, lag, targets, fit }: UnitFound) => ({
  name: hours.name,
  channel: hours.channel,
  serial: hours.serial ?? null,
  days,
  data_capture: capture,
  r_squared: line?.rSquared ?? null,
  slope: line?.slope ?? null,
  intercept: line?.intercept ?? null,
  rmse: distance?.rmse ?? null,
  nrmse_percent: distance?.nrmsePercent ?? null,
  bias: distance?.bias ?? null,
  targets: targets ?? null,
  slip_h: lag?.slipHours ?? null,
  lags:
    lag?.fits.map(({ lagHours, rSquared, pairs }) => ({ lag_h: lagHours, r_squared: rSquared, pairs })) ?? [],
  correction: fit
    ? {
        ...{ slope: fit.slope, slope_95: fit.slopeInterval, pairs: fit.pairs },
        ...{ intercept: fit.intercept, intercept_95: fit.interceptInterval },
        ...{ lowest: fit.lowest, highest: fit.highest },
        held_out: fit.heldOut,
      }
    : null,
})
