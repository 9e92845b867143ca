/** What a side-by-side run says. */
import {
  heldOutFolds,
  leastHumidityRange,
  leastHumidityShare,
  pm25Targets,
  type Distance,
  type Drift,
  type DriftChange,
  type DriftLevel,
} from '../analysis/analysis.js'
import { dayText } from '../averages/averages.js'
import type { CorrectionForm } from '../limits/limits.js'
import { hasSlip, type CollocateFound } from './collocate.js'
import { blockDays, missedTargets, type UnitFound } from './collocate-unit.js'
import type { Written } from './collocate-write.js'
import { draws } from './compare-seed.js'
import { nameOf } from './desk-records.js'
import { zoneWords } from './desk-zone.js'
import { folded, tableText, textWidth } from './plain-text.js'

const fold = (text: string): string => folded(text, textWidth, 2)

export function collocateText(
  found: CollocateFound,
  written: readonly Written[],
  drawn: readonly string[],
): string[] {
  return [
    fold(verdictText(found)),
    ...found.units.filter(hasSlip).map((unit) => fold(slipText(unit))),
    ...found.units.flatMap((unit) => (unit.drift ? [fold(driftText(unit, unit.drift))] : [])),
    '',
    fold(
      `${found.channel}, µg/m³, daily means beside ${found.reference.name}, ${dayText(found.firstDay)} to ${dayText(found.lastDay)}`,
    ),
    fold(zoneWords(found.zone)),
    fold(
      `${found.run.days} valid days with reference and unit; data capture of the reference ${percent(found.referenceCapture)}`,
    ),
    '',
    ...unitTable(found.units),
    '',
    fold(precisionText(found)),
    ...found.pairs.map((pair) => fold(pairText(pair, found))),
    ...found.units.map((unit) => fold(lagText(unit, found))),
    '',
    ...found.units.flatMap((unit) => correctionLines(unit, found).map(fold)),
    ...found.units.flatMap((unit) => (unit.drift ? ['', ...driftTable(unit, unit.drift)] : [])),
    ...(written.length > 0 ? ['', ...written.flatMap(writtenLines).map(fold)] : []),
    ...(drawn.length > 0 ? ['', ...drawn.map((file) => `drawn: ${file}`)] : []),
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
const fixed = (value: number | undefined, places: number): string =>
  value === undefined ? '-' : value.toFixed(places).replace(/^-(0(\.0+)?)$/, '$1')

/** Long names would break the lines of a terminal: they stand below with letters for them in the table. */
function unitTable(units: readonly UnitFound[]): string[] {
  const plain = tableText([headings, ...units.map((unit) => unitRow(unit, unit.hours.name))], 1)
  if (plain.every((row) => row.length <= textWidth)) return plain
  const letterOf = (i: number): string => (i < 26 ? String.fromCharCode(65 + i) : `unit ${i + 1}`)
  const rows = tableText([headings, ...units.map((unit, i) => unitRow(unit, letterOf(i)))], 1)
  return [...rows, ...units.map(({ hours }, i) => fold(`  ${letterOf(i)}: ${hours.name}`))]
}

function unitRow({ days, capture, line, distance }: UnitFound, name: string): string[] {
  return [
    name,
    String(days),
    percent(capture),
    ...[fixed(line?.rSquared, 3), fixed(line?.slope, 3), fixed(line?.intercept, 2)],
    fixed(distance?.rmse, 2),
    distance?.nrmsePercent === undefined ? '-' : `${distance.nrmsePercent.toFixed(1)} %`,
    fixed(distance?.bias, 2),
  ]
}

function precisionText({ run }: CollocateFound): string {
  const nrmse = run.nrmsePercent === undefined ? '' : `, NRMSE ${run.nrmsePercent.toFixed(1)} %`
  const all = `all units: RMSE ${run.rmse.toFixed(2)}${nrmse}, bias ${fixed(run.bias, 2)}`
  if (run.sd === undefined || run.cvPercent === undefined)
    return `${all}; a single unit has no precision between units`
  return `${all}; between the units SD ${run.sd.toFixed(2)}, CV ${run.cvPercent.toFixed(1)} %`
}

function pairText(pair: CollocateFound['pairs'][number], { units }: CollocateFound): string {
  const [a, b] = [pair.first, pair.second].map((at) => units[at].hours.name)
  const scatter = pair.cvPercent === undefined ? '' : ` (${pair.cvPercent.toFixed(1)} %)`
  return (
    `${b} less ${a}: ${fixed(pair.difference, 2)} over ${pair.days} days; one of them scatters by ${fixed(pair.sd, 2)}${scatter}, ` +
    `R² ${fixed(pair.rSquared, 3)}`
  )
}

function lagText({ hours, lag }: UnitFound, { reference }: CollocateFound): string {
  if (!lag)
    return `${hours.name}: no lag test, the reference has one figure in ${fixed(reference.stepSeconds / 3600, 1)} h`
  if (lag.slipHours === undefined) return `${hours.name}: no lag test, fewer than 72 hours together`
  if (lag.slipHours === 0) return `${hours.name}: its hours fit those of the reference best as they stand`
  const fits = lag.fits.map(({ lagHours, rSquared }) => `${lagHours} h ${rSquared.toFixed(3)}`)
  return `${hours.name}: R² by hours later: ${fits.join(', ')}`
}

export const intervalText = ([low, high]: readonly [number, number], places: number): string =>
  Number.isFinite(low + high) ? `${fixed(low, places)} to ${fixed(high, places)}` : 'unknown'

const signed = (value: number, places: number): string =>
  `${value < 0 ? '-' : '+'} ${Math.abs(value).toFixed(places)}`

/** 'reference = 0.812 x unit + 1.20'. */
function formText(form: CorrectionForm): string {
  const intercept = signed(form.intercept ?? 0, 2)
  const slope = (form.slope ?? 1).toFixed(3)
  if (form.kind === 'linear') return `reference = ${slope} x unit ${intercept}`
  if (form.kind === 'linear-humidity')
    return `reference = ${slope} x unit ${signed(form.perHumidity, 4)} x %RH ${intercept}`
  return `reference = ${slope} x unit / C ${intercept}, C = 1 + (${form.kappa.toFixed(3)} / ${form.dryDensity}) / (100 / %RH - 1)`
}

function formInterval({ fit }: UnitFound): string {
  const { slopeInterval, interceptInterval, perHumidityInterval, kappaInterval } = fit!
  return [
    `slope ${intervalText(slopeInterval, 3)}`,
    `intercept ${intervalText(interceptInterval, 2)}`,
    ...(perHumidityInterval ? [`per %RH ${intervalText(perHumidityInterval, 4)}`] : []),
    ...(kappaInterval ? [`kappa ${intervalText(kappaInterval, 3)}`] : []),
  ].join(', ')
}

/** Why a unit has no correction. */
export function fitTroubleWords({ humid, humidity }: UnitFound): string {
  const { trouble, range } = humid ?? {}
  if (trouble === 'no-humidity')
    return 'no correction with humidity: none was recorded in its box (--humidity names another place)'
  if (trouble === 'humidity-too-seldom')
    return `no correction with humidity: ${humidity.name} is known for fewer than ${leastHumidityShare * 100} % of the hours`
  if (trouble === 'humidity-too-even')
    return `no correction with humidity: it went from ${intervalText(range!, 0)} %RH only (5th to 95th percentile); ${leastHumidityRange} are needed to tell`
  return humid
    ? 'no correction; it needs 10 days with humidity, figures that vary, and a kappa below 2'
    : 'no correction; it needs 10 days and figures that vary'
}

function correctionLines(unit: UnitFound, { byHours, seed }: CollocateFound): string[] {
  const { hours, fit, humid } = unit
  if (hasSlip(unit)) return [`${hours.name}: no correction while its hours slip`]
  if (!fit) return [`${hours.name}: ${fitTroubleWords(unit)}`]
  const { heldOut } = fit
  const doubt = heldOut.corrected.rmse < heldOut.raw.rmse ? '' : ': the correction does not help'
  const told = ({ rmse, bias }: Distance): string => `RMSE ${rmse.toFixed(2)}, bias ${fixed(bias, 2)}`
  return [
    `${hours.name}: ${formText(fit.form)}, from ${fit.pairs} ${byHours ? 'hours' : 'days'}; 95 %: ${formInterval(unit)} ` +
      `(blocks of ${blockDays} days, ${draws} draws, seed ${seed}; widened as Student's t for ${Math.floor(fit.days / blockDays)} blocks); ` +
      `holds for ${fit.lowest.toFixed(1)} to ${fit.highest.toFixed(1)}`,
    `  on ${heldOut.days} days held out in turn (${heldOutFolds} pieces of days in a row, each by the line of the others): ` +
      `raw ${told(heldOut.raw)}; corrected ${told(heldOut.corrected)}${doubt}`,
    ...(humid ? [humidText(unit)] : []),
  ]
}

function humidText({ humid, humidity, fit }: UnitFound): string {
  const plain = humid!.plainHeldOut?.corrected.rmse
  const beside =
    plain === undefined
      ? ''
      : `; a plain line does ${plain.toFixed(2)} there${plain <= fit!.heldOut.corrected.rmse ? ': humidity does not help' : ''}`
  return `  with ${humidity.name}, ${intervalText(humid!.range!, 0)} %RH (5th to 95th percentile)${beside}`
}

function driftText({ hours, previous }: UnitFound, { isShown, levels }: Drift): string {
  const since = `since the run of ${previous!.run!.from} to ${previous!.run!.to}`
  const told = levels.filter(({ interval }) => interval !== undefined)
  if (isShown === undefined || told.length === 0)
    return `${hours.name}: whether it drifted ${since} cannot be told: one of the runs has no interval there.`
  const share = ({ change, before }: DriftLevel): number => Math.abs(change) / Math.max(1, Math.abs(before))
  const most = told.reduce((a, b) => (share(b) > share(a) ? b : a))
  const figures =
    `a reading of ${most.raw} is corrected to ${fixed(most.after, 1)}, then ${fixed(most.before, 1)} ` +
    `(change ${fixed(most.change, 2)}, 95 %: ${intervalText(most.interval!, 2)})`
  return isShown
    ? `DRIFT: ${hours.name} reads otherwise than in the run of ${previous!.run!.from} to ${previous!.run!.to}: ${figures}.`
    : `${hours.name}: no drift shown ${since}: ${figures}.`
}

function driftTable({ hours, previous, fit }: UnitFound, drift: Drift): string[] {
  const row = (name: string, change: DriftChange | undefined, places: number): string[][] =>
    change
      ? [
          [
            name,
            ...[change.before, change.after, change.change].map((value) => fixed(value, places)),
            change.interval ? intervalText(change.interval, places) : '-',
          ],
        ]
      : []
  const rows = [
    ...row('slope', drift.slope, 3),
    ...row('intercept', drift.intercept, 2),
    ...row('per %RH', drift.perHumidity, 4),
    ...row('kappa', drift.kappa, 3),
    ...drift.levels.flatMap((level) => row(`a reading of ${level.raw} becomes`, level, 2)),
  ]
  const humid = drift.humidityPercent === undefined ? '' : ` at ${drift.humidityPercent.toFixed(0)} %RH`
  const kinds =
    previous!.form.kind === fit!.form.kind
      ? []
      : ['  the runs were fitted in different forms: only readings are compared']
  return [
    fold(`${hours.name}, drift from ${previous!.run!.from} … ${previous!.run!.to} to this run${humid}:`),
    ...tableText([['', 'then', 'now', 'change', '95 %'], ...rows], 1),
    ...kinds,
  ]
}

const appliedWords = {
  first: 'the first run corrects all figures',
  last: 'the newest run corrects all figures',
  linear: 'between two runs figures are corrected in proportion to time',
} as const

function writtenLines({ file, humidityUnknown, correction }: Written): string[] {
  const humid =
    'Humidity was not recorded: the correction is used at any, and swelling in damp air is not in it.'
  const { earlier } = correction
  return [
    `written: ${file}${earlier ? ` (${earlier.runs.length + 1} runs: ${appliedWords[earlier.apply]})` : ''}`,
    ...(humidityUnknown ? [humid] : []),
  ]
}
