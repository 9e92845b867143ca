import type { PlanLife, PlantFound, SolarFound } from './solar.js'
import { folded, tableText, textWidth } from './plain-text.js'

const monthNames = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec']

const paragraph = (text: string): string => folded(text, textWidth)

/** What holds for the figures and for what is built after them; said once. */
const cautions = [
  'A fuse at the battery. Lithium cells are not charged below freezing unless they are rated for it. A mount that holds in ' +
    'a storm, and care at heights. The local electrical code holds; where it asks for a licensed electrician, call one.',
  'Shade is not in these figures: a tree or a mast on the noon side can halve a winter. Batteries age: after some years ' +
    'count on four fifths of what they hold. Snow lies on flat panels.',
]

/** The whole answer for a person. */
export function solarText(found: SolarFound): string {
  const parts = [
    paragraph(assumptions(found)),
    frostWords(found),
    verdict(found),
    found.smallest.length > 0 ? pairsText(found) : paragraph(noneWords(found)),
    ...(found.lives.length > 0 ? [monthsText(found), livesText(found)] : []),
    cautions.map(paragraph).join('\n'),
  ]
  return parts.filter((part) => part !== '').join('\n\n') + '\n'
}

function assumptions({ wish, dailyLoad }: SolarFound): string {
  const { latitude, tilt, insolation, load, chemistry, batteryCelsius, years, seed } = wish
  const place =
    latitude === undefined
      ? "The light on the panel's own plane is as given"
      : `Latitude ${Math.abs(latitude)} ${latitude < 0 ? 'south' : 'north'}, panel tilted ${tilt} degrees toward the equator; ` +
        (insolation ? 'light on the level as given' : 'clearness of the sky assumed, rather cloudy')
  return (
    `${place}. Load ${dailyLoad.toFixed(1)} Wh a day with the plan '${wish.plan}' (board ` +
    `${load.boardWattHours.toFixed(1)}, sensor without pause ${load.sensorWattHours.toFixed(1)}). ${chemistry.words} at ` +
    `${batteryCelsius} °C, cut off at ${chemistry.cutOffPercent} %. Three quarters of the panel's rating arrive. ` +
    `${years} made years, hour by hour, seed ${seed}.`
  )
}

/** The figures charge the battery whatever the cold; lithium cells may not bear that. */
function frostWords({ wish: { chemistry, batteryCelsius } }: SolarFound): string {
  if (chemistry.chargesBelowFreezing || batteryCelsius >= 0) return ''
  return paragraph(
    `At ${batteryCelsius} °C these figures hold only for cells rated for charging below freezing, or kept warm; the ` +
      'warmth is then part of the load.',
  )
}

const watts = (value: number): string => `${value} W`
const wattHours = ({ plant }: PlantFound): string =>
  `${Math.round(plant.batteryWattHours)} Wh (${(plant.batteryWattHours / plant.chemistry.tableVolts).toFixed(0)} Ah at ` +
  `${plant.chemistry.tableVolts} V)`
const percent = (value: number): string => `${value > 0 && value < 0.005 ? '<0.01' : value.toFixed(2)} %`

function verdict({ named, wish }: SolarFound): string {
  if (!named) {
    if (wish.panelWatts !== undefined)
      return paragraph(`With a panel of ${wish.panelWatts} W no battery reaches the wish.`)
    if (wish.batteryWattHours === undefined) return ''
    return paragraph(`With a battery of ${Math.round(wish.batteryWattHours)} Wh no panel reaches the wish.`)
  }
  const answer = named.reached ? 'reach' : 'do NOT reach'
  return paragraph(
    `Panel ${watts(named.plant.panelWatts)} and battery ${wattHours(named)} ${answer} the wish: ` +
      `${named.daysOfAutonomy.toFixed(1)} days without sun (wished ${wish.days}), without energy ` +
      `${percent(named.lossPercent)} of the hours (wished at most ${wish.lossPercent} %), array-to-load ratio ` +
      `${named.arrayToLoad.toFixed(2)} in the worst month (usual: 1.1-1.2, where it matters 1.3-1.4).`,
  )
}

function pairsText({ smallest, wish }: SolarFound): string {
  const heading = `Smallest that reach ${wish.days} days and at most ${wish.lossPercent} % loss; a larger battery may spare panel:`
  const rows = smallest.map((pair) => [
    watts(pair.plant.panelWatts),
    wattHours(pair),
    pair.daysOfAutonomy.toFixed(1),
    pair.arrayToLoad.toFixed(2),
    percent(pair.lossPercent),
  ])
  const table = tableText([['panel', 'battery', 'days', 'array/load', 'loss'], ...rows], 0)
  return [paragraph(heading), ...table].join('\n')
}

const noneWords = ({ wish }: SolarFound): string =>
  `No panel up to 2000 W reaches at most ${wish.lossPercent} % loss there, even with a battery eight times that of ` +
  `${wish.days} days: the winter is too dark. Plan a smaller load, another source, or a pause in winter.`

function monthsText({ months, worstMonth, named, smallest }: SolarFound): string {
  const shown = named ?? smallest[0]
  const heading = `A mean day of each month with ${watts(shown.plant.panelWatts)}:`
  const rows = months.map(({ level, onPanel, fromPanel, load }, month) => [
    monthNames[month],
    level.toFixed(1),
    onPanel.toFixed(1),
    fromPanel.toFixed(0),
    load.toFixed(0),
    signed(fromPanel - load),
    month === worstMonth ? '<- worst' : '',
  ])
  const head = ['month', 'level kWh/m²', 'on panel', 'panel Wh', 'load Wh', 'balance', '']
  return [heading, ...tableText([head, ...rows], 1)].join('\n')
}

const signed = (value: number): string => `${value < 0 ? '-' : '+'}${Math.abs(value).toFixed(0)}`

function livesText({ lives, named, smallest }: SolarFound): string {
  const shown = named ?? smallest[0]
  const heading =
    `How each plan would live with ${watts(shown.plant.panelWatts)} and ${wattHours(shown)}; full and sampled are ` +
    'shares of all hours:'
  const rows = lives.map((life) => [
    planWords[life.plan],
    life.dailyWattHours?.toFixed(0) ?? 'varies',
    percent(100 * life.lived.lossProbability),
    life.lived.lossHoursPerYear.toFixed(0),
    `${life.lived.yearsWithoutLoss} of ${life.lived.years}`,
    share(life.lived.stepShares.continuous),
    share(life.lived.stepShares['5-of-15']),
  ])
  const head = ['plan', 'Wh/day', 'loss', 'h/year', 'no loss in', 'full', 'sampled']
  return [paragraph(heading), ...tableText([head, ...rows], 1)].join('\n')
}

const share = (value: number): string => `${(100 * value).toFixed(1)} %`

const planWords: Record<PlanLife['plan'], string> = {
  continuous: 'continuous',
  '5-of-15': '5 of 15 min',
  '5-of-60': '5 of 60 min',
  heartbeat: 'heartbeat only',
  stepping: 'steps down to protect',
}

const pairJson = ({ plant, daysOfAutonomy, arrayToLoad, lossPercent }: PlantFound): object => ({
  panel_w: plant.panelWatts,
  battery_wh: plant.batteryWattHours,
  days_of_autonomy: rounded(daysOfAutonomy, 2),
  array_to_load: rounded(arrayToLoad, 3),
  loss_percent: rounded(lossPercent, 4),
})

const rounded = (value: number, decimals: number): number => Number(value.toFixed(decimals))

/** The same facts for a program. */
export function solarJson({
  wish,
  dailyLoad,
  named,
  smallest,
  months,
  worstMonth,
  lives,
}: SolarFound): object {
  return {
    latitude: wish.latitude ?? null,
    tilt: wish.latitude === undefined ? null : wish.tilt,
    insolation: wish.insolation ? 'given' : 'assumed',
    chemistry: wish.chemistry.name,
    battery_celsius: wish.batteryCelsius,
    plan: wish.plan,
    load_wh_per_day: rounded(dailyLoad, 2),
    wish: { days: wish.days, loss_percent: wish.lossPercent },
    years: wish.years,
    seed: wish.seed,
    named: named ? { ...pairJson(named), reached: named.reached } : null,
    smallest: smallest.map(pairJson),
    worst_month: worstMonth + 1,
    months: months.map((row, month) => ({
      month: month + 1,
      level_kwh_m2: rounded(row.level, 3),
      on_panel_kwh_m2: rounded(row.onPanel, 3),
      panel_wh: rounded(row.fromPanel, 1),
      load_wh: rounded(row.load, 1),
    })),
    plans: lives.map(({ plan, dailyWattHours, lived }) => ({
      plan,
      wh_per_day: dailyWattHours === undefined ? null : rounded(dailyWattHours, 2),
      loss_percent: rounded(100 * lived.lossProbability, 4),
      loss_hours_per_year: rounded(lived.lossHoursPerYear, 2),
      years_without_loss: lived.yearsWithoutLoss,
      full_hours_percent: rounded(100 * lived.stepShares.continuous, 2),
      sampled_hours_percent: rounded(100 * lived.stepShares['5-of-15'], 2),
    })),
    cautions,
  }
}
