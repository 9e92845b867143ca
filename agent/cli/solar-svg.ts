import type { SolarFound } from './solar.js'
import { numberAxis } from './svg-axes.js'
import { chartSvg, ink } from './svg.js'

const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec']

/** A mean day of each month as a drawing: what the panel brings beside what the load takes. */
export function solarSvg({ months: rows, named, smallest, worstMonth }: SolarFound): string {
  const { panelWatts } = (named ?? smallest[0]).plant
  const points = (of: 'fromPanel' | 'load') => rows.map((row, month) => [month, row[of]] as const)
  const [panel, load] = [points('fromPanel'), points('load')]
  return chartSvg({
    title: `A mean day of each month: panel ${panelWatts} W, load ${rows[0].load.toFixed(0)} Wh`,
    x: {
      title: 'month',
      low: -0.5,
      high: 11.5,
      ticks: months.map((label, at) => ({ at, label })),
    },
    y: numberAxis(
      'Wh a day',
      [...panel, ...load].map(([, wattHours]) => wattHours),
    ),
    drawn: [
      { name: 'from the panel', shape: 'square', dash: 'solid', ink: ink.blue, width: 2, points: panel },
      { name: 'load', shape: 'none', dash: '7 4', ink: ink.rust, width: 2, points: load },
    ],
    marks: [{ at: worstMonth, words: 'worst month' }],
  })
}
