import type { SolarFound } from './solar.js'

const size = { width: 720, height: 320, left: 56, right: 12, top: 40, bottom: 36 }
const months = 'JFMAMJJASOND'

/** A mean day of each month as a drawing: what the panel brings as bars, what the load takes as a line. */
export function solarSvg({ months: rows, named, smallest, worstMonth }: SolarFound): string {
  const shown = named ?? smallest[0]
  const most = roundedUp(Math.max(...rows.map(({ fromPanel, load }) => Math.max(fromPanel, load))))
  const height = size.height - size.top - size.bottom
  const step = (size.width - size.left - size.right) / 12
  const y = (wattHours: number): number => size.top + height * (1 - wattHours / most)
  const bars = rows.map(({ fromPanel }, month) => {
    const x = size.left + month * step
    const fill = month === worstMonth ? '#b45309' : '#0f766e'
    return (
      `<rect x="${fixed(x + step * 0.15)}" y="${fixed(y(fromPanel))}" width="${fixed(step * 0.7)}" ` +
      `height="${fixed(size.top + height - y(fromPanel))}" fill="${fill}"/>` +
      text(x + step / 2, size.height - 14, months[month], 'middle')
    )
  })
  const marks = [0, most / 2, most].map((mark) => text(size.left - 6, y(mark) + 4, String(mark), 'end'))
  const load = fixed(y(rows[0].load))
  const title = `Wh a day: panel ${shown.plant.panelWatts} W (bars, worst month brown), load ${rows[0].load.toFixed(0)} (line)`
  return [
    `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${size.width} ${size.height}" role="img">`,
    `<title>${title}</title>`,
    `<rect width="${size.width}" height="${size.height}" fill="#ffffff"/>`,
    text(size.left, 22, title, 'start'),
    ...bars,
    ...marks,
    `<line x1="${size.left}" x2="${size.width - size.right}" y1="${load}" y2="${load}" stroke="#111827" stroke-width="2"/>`,
    '</svg>',
    '',
  ].join('\n')
}

const fixed = (value: number): string => value.toFixed(1)

const text = (x: number, y: number, words: string, anchor: string): string =>
  `<text x="${fixed(x)}" y="${fixed(y)}" font-family="sans-serif" font-size="14" fill="#111827" text-anchor="${anchor}">${words}</text>`

/** To 2, 4, 6, 8 or 10 of its power of ten, so that the half is a plain number too. */
function roundedUp(value: number): number {
  const power = 10 ** Math.floor(Math.log10(Math.max(value, 1)))
  return Math.ceil(value / power / 2) * 2 * power
}
