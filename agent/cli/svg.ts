/**
 * Drawings of figures as SVG: marks and lines over two axes with titles and units. Ink on paper: what is told apart is told
 * apart by shape and dash, so that a black-and-white copy says the same. Nothing is loaded from anywhere.
 */

export interface Axis {
  /** With its unit. */
  readonly title: string
  readonly low: number
  readonly high: number
  readonly ticks: readonly { readonly at: number; readonly label: string }[]
}

export type Shape = 'dot' | 'ring' | 'square' | 'cross' | 'triangle' | 'none'

export interface Drawn {
  readonly name: string
  readonly shape: Shape
  /** Of the line that joins the points: 'solid', or a pattern such as '6 4'; absent for points alone. */
  readonly dash?: string
  readonly ink?: string
  readonly width?: number
  /** A y of NaN interrupts the line. */
  readonly points: readonly (readonly [x: number, y: number])[]
}

export interface Chart {
  readonly title: string
  readonly note?: string
  readonly x: Axis
  readonly y: Axis
  readonly drawn: readonly Drawn[]
  /** Upright lines with words at their top. */
  readonly marks?: readonly { readonly at: number; readonly words: string }[]
  readonly size?: { readonly width: number; readonly height: number }
}

export const ink = { dark: '#1b2a36', blue: '#1f5f8b', rust: '#a8480f', grey: '#7a8790' } as const
export const shapes: readonly Shape[] = ['dot', 'square', 'cross', 'triangle', 'ring']
export const dashes: readonly string[] = ['solid', '7 4', '2 3', '9 3 2 3', '4 2']

const usualSize = { width: 760, height: 420 }
const edge = { left: 68, right: 20, bottom: 56 }
const rowHeight = 18
/** About what a letter of this size is wide. */
const letter = 6.6

export function chartSvg(given: Chart): string {
  const chart = withShortNames(given)
  const { width, height } = chart.size ?? usualSize
  const legend = legendRows(chart.drawn, width - edge.left - edge.right)
  const headRows = [...wrapped(chart.title, width), ...(chart.note ? wrapped(chart.note, width) : [])]
  const top = 14 + rowHeight * (headRows.length + legend.length) + (chart.marks ? rowHeight : 0)
  const area: Area = { left: edge.left, top, right: width - edge.right, bottom: height - edge.bottom }
  const titleRows = wrapped(chart.title, width).length
  return [
    `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width} ${height}" width="${width}" height="${height}" role="img" font-family="sans-serif" font-size="12" fill="${ink.dark}">`,
    `<title>${escaped(chart.title)}</title>`,
    `<rect width="${width}" height="${height}" fill="#ffffff"/>`,
    ...headRows.map((row, i) =>
      text(14, 20 + i * rowHeight, row, 'start', i < titleRows ? 'font-size="14" font-weight="bold"' : ''),
    ),
    ...legend.flatMap((row, i) => legendRow(row, 20 + rowHeight * (headRows.length + i))),
    ...axes(chart, area),
    ...(chart.marks ?? []).flatMap((mark) => upright(mark, chart.x, area)),
    ...chart.drawn.flatMap((one) => drawnParts(one, chart, area)),
    '</svg>',
    '',
  ].join('\n')
}

/** Names come from elsewhere and may be of any length. */
const longestName = 60

function withShortNames(chart: Chart): Chart {
  const short = (words: string): string =>
    words.length > longestName ? words.slice(0, longestName - 1) + '…' : words
  return {
    ...chart,
    title: chart.title.slice(0, 300),
    x: { ...chart.x, title: short(chart.x.title) },
    y: { ...chart.y, title: short(chart.y.title) },
    drawn: chart.drawn.map((one) => ({ ...one, name: short(one.name) })),
  }
}

interface Area {
  readonly left: number
  readonly top: number
  readonly right: number
  readonly bottom: number
}

const xAt = (value: number, { low, high }: Axis, { left, right }: Area): number =>
  left + ((value - low) / (high - low)) * (right - left)
const yAt = (value: number, { low, high }: Axis, { top, bottom }: Area): number =>
  bottom - ((value - low) / (high - low)) * (bottom - top)

function axes({ x, y }: Chart, area: Area): string[] {
  const { left, top, right, bottom } = area
  const rows = y.ticks.flatMap(({ at, label }) => {
    const h = yAt(at, y, area)
    return [line(left, h, right, h, '#dfe4e7'), text(left - 8, h + 4, label, 'end')]
  })
  const columns = x.ticks.flatMap(({ at, label }) => {
    const v = xAt(at, x, area)
    return [line(v, bottom, v, bottom + 5, ink.dark), text(v, bottom + 19, label, 'middle')]
  })
  const middle = fixed((top + bottom) / 2)
  return [
    ...rows,
    ...columns,
    line(left, bottom, right, bottom, ink.dark),
    line(left, top, left, bottom, ink.dark),
    text((left + right) / 2, bottom + 42, x.title, 'middle'),
    `<text x="20" y="${middle}" text-anchor="middle" transform="rotate(-90 20 ${middle})">${escaped(y.title)}</text>`,
  ]
}

function upright({ at, words }: { at: number; words: string }, x: Axis, area: Area): string[] {
  const v = xAt(at, x, area)
  const anchor = v > (area.left + area.right) / 2 ? 'end' : 'start'
  return [
    `<line x1="${fixed(v)}" y1="${fixed(area.top)}" x2="${fixed(v)}" y2="${fixed(area.bottom)}" stroke="${ink.dark}" stroke-width="1.5" stroke-dasharray="1 3"/>`,
    text(v, area.top - 6, words, anchor),
  ]
}

function drawnParts(one: Drawn, { x, y }: Chart, area: Area): string[] {
  const color = one.ink ?? ink.dark
  const places = one.points.map(([a, b]) => [xAt(a, x, area), yAt(b, y, area)] as const)
  const parts: string[] = []
  if (one.dash !== undefined) {
    const path = places
      .map(([a, b], i) => {
        const isStart = i === 0 || Number.isNaN(places[i - 1][1])
        return Number.isNaN(b) ? '' : `${isStart ? 'M' : 'L'}${fixed(a)} ${fixed(b)}`
      })
      .join('')
    const dash = one.dash === 'solid' ? '' : ` stroke-dasharray="${one.dash}"`
    if (path !== '')
      parts.push(
        `<path d="${path}" fill="none" stroke="${color}" stroke-width="${one.width ?? 1.6}"${dash}/>`,
      )
  }
  for (const [a, b] of places)
    if (!Number.isNaN(b) && one.shape !== 'none') parts.push(mark(one.shape, a, b, color))
  return parts
}

function mark(shape: Shape, x: number, y: number, color: string): string {
  const stroke = `fill="none" stroke="${color}" stroke-width="1.4"`
  if (shape === 'dot') return `<circle cx="${fixed(x)}" cy="${fixed(y)}" r="2.8" fill="${color}"/>`
  if (shape === 'ring') return `<circle cx="${fixed(x)}" cy="${fixed(y)}" r="3.2" ${stroke}/>`
  if (shape === 'square')
    return `<rect x="${fixed(x - 2.8)}" y="${fixed(y - 2.8)}" width="5.6" height="5.6" ${stroke}/>`
  if (shape === 'triangle')
    return `<path d="M${fixed(x)} ${fixed(y - 3.6)}L${fixed(x + 3.4)} ${fixed(y + 2.6)}L${fixed(x - 3.4)} ${fixed(y + 2.6)}Z" ${stroke}/>`
  return `<path d="M${fixed(x - 3)} ${fixed(y - 3)}L${fixed(x + 3)} ${fixed(y + 3)}M${fixed(x - 3)} ${fixed(y + 3)}L${fixed(x + 3)} ${fixed(y - 3)}" ${stroke}/>`
}

const sampleWidth = 40

function legendRows(drawn: readonly Drawn[], width: number): Drawn[][] {
  const rows: Drawn[][] = [[]]
  let used = 0
  for (const one of drawn.filter(({ name }) => name !== '')) {
    const wanted = sampleWidth + one.name.length * letter + 16
    if (used > 0 && used + wanted > width) {
      rows.push([])
      used = 0
    }
    rows[rows.length - 1].push(one)
    used += wanted
  }
  return rows[0].length === 0 ? [] : rows
}

function legendRow(row: readonly Drawn[], y: number): string[] {
  let x = 14
  return row.flatMap((one) => {
    const from = x
    x += sampleWidth + one.name.length * letter + 16
    const color = one.ink ?? ink.dark
    const dash = one.dash === 'solid' ? '' : ` stroke-dasharray="${one.dash}"`
    const stroke =
      one.dash === undefined
        ? []
        : [
            `<line x1="${fixed(from)}" y1="${y - 4}" x2="${fixed(from + 32)}" y2="${y - 4}" stroke="${color}" stroke-width="${one.width ?? 1.6}"${dash}/>`,
          ]
    const sample = one.shape === 'none' ? [] : [mark(one.shape, from + 16, y - 4, color)]
    return [...stroke, ...sample, text(from + sampleWidth, y, one.name, 'start')]
  })
}

function wrapped(words: string, width: number): string[] {
  const most = Math.floor((width - 28) / (letter * 1.08))
  const rows: string[] = []
  for (const word of words.split(' ')) {
    const last = rows[rows.length - 1]
    if (last !== undefined && last.length + 1 + word.length <= most) rows[rows.length - 1] = `${last} ${word}`
    else rows.push(word)
  }
  return rows
}

const fixed = (value: number): string => value.toFixed(1)
const escaped = (words: string): string =>
  words.replace(/[<>&"]/g, (character) => `&#${character.charCodeAt(0)};`)

const line = (x1: number, y1: number, x2: number, y2: number, stroke: string): string =>
  `<line x1="${fixed(x1)}" y1="${fixed(y1)}" x2="${fixed(x2)}" y2="${fixed(y2)}" stroke="${stroke}"/>`

const text = (x: number, y: number, words: string, anchor: string, more = ''): string =>
  `<text x="${fixed(x)}" y="${fixed(y)}" text-anchor="${anchor}"${more === '' ? '' : ' ' + more}>${escaped(words)}</text>`
