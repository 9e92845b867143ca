/** The table of a side-by-side run: one row a unit. */
import type { CollocateFound } from './collocate.js'
import type { UnitFound } from './collocate-unit.js'
import { csvRow, num, type Cell } from './export-csv.js'
import { dayText } from '../averages/averages.js'

const headings = [
  ...['unit', 'serial', 'channel', 'reference', 'first_day', 'last_day', 'days', 'data_capture', 'r_squared'],
  ...['slope', 'intercept (ug/m3)', 'rmse (ug/m3)', 'nrmse (%)', 'bias (ug/m3)', 'slip (h)', 'verdict'],
  ...['correction', 'correction_slope', 'slope_low_95', 'slope_high_95'],
  ...['correction_intercept (ug/m3)', 'intercept_low_95', 'intercept_high_95', 'per_humidity', 'kappa'],
  ...['held_out_rmse_raw (ug/m3)', 'held_out_rmse_corrected (ug/m3)'],
]

export const collocateCsv = (found: CollocateFound): string =>
  [headings, ...found.units.map((unit) => unitCells(unit, found))].map((row) => csvRow(row, 'point')).join('')

function unitCells(unit: UnitFound, { reference, firstDay, lastDay, verdict }: CollocateFound): Cell[] {
  const { hours, serial, line, distance, lag, fit } = unit
  const number = (value: number | undefined, places = 4): Cell =>
    value === undefined || !Number.isFinite(value) ? undefined : num(value, places)
  const form = fit?.form
  return [
    ...[hours.name, serial, hours.channel, reference.name, dayText(firstDay), dayText(lastDay)],
    ...[number(unit.days, 0), number(unit.capture), number(line?.rSquared), number(line?.slope)],
    ...[number(line?.intercept, 3), number(distance?.rmse, 3), number(distance?.nrmsePercent, 2)],
    ...[number(distance?.bias, 3), number(lag?.slipHours, 0), verdict, form?.kind, number(fit?.slope)],
    ...[number(fit?.slopeInterval[0]), number(fit?.slopeInterval[1]), number(fit?.intercept, 3)],
    ...[number(fit?.interceptInterval[0], 3), number(fit?.interceptInterval[1], 3)],
    number(form?.kind === 'linear-humidity' ? form.perHumidity : undefined, 5),
    number(form?.kind === 'growth' ? form.kappa : undefined),
    ...[number(fit?.heldOut.raw.rmse, 3), number(fit?.heldOut.corrected.rmse, 3)],
  ]
}
