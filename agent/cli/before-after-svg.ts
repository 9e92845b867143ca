/** Drawings of a comparison: daily means with the day of the change, and hours of the day before and after. */
import type { BeforeAfterFound } from './before-after.js'
import type { SideDays } from './before-after-days.js'
import { massWords, plainSentence } from './before-after-words.js'
import { meanOf } from '../analysis/analysis.js'
import type { Opened } from './desk.js'
import { chartSvg, ink, type Drawn } from './svg.js'
import { dayAxis, numberAxis, writeDrawings } from './svg-axes.js'

/** @param folder absent: nothing is drawn */
export function drawBeforeAfter(
  found: BeforeAfterFound,
  folder: string | undefined,
  force: boolean,
): Opened<readonly string[]> {
  if (folder === undefined || !found.change) return { ok: true, value: [] }
  return writeDrawings(
    folder,
    [
      { name: `${found.channel}-before-after-days`, svg: daysSvg(found) },
      { name: `${found.channel}-before-after-hours`, svg: hoursSvg(found) },
    ],
    force,
  )
}

type Part = 'difference' | 'series' | 'background'
/** More marks than this run into each other. */
const mostMarks = 200

const dayPoints = (side: SideDays, part: Part): (readonly [number, number])[] =>
  side[part].map((day, i) => [
    side.first + i + 0.5,
    day ? meanOf(day.hours.filter((value) => !Number.isNaN(value))) : NaN,
  ])

export function daysSvg(found: BeforeAfterFound): string {
  const { sides, background, name } = found
  const gap = [[NaN, NaN]] as const
  const points = (part: Part) => [...dayPoints(sides[0], part), ...gap, ...dayPoints(sides[1], part)]
  const isDense = sides[0].difference.length + sides[1].difference.length > mostMarks
  const drawn: Drawn[] = [
    {
      ...{ name, shape: isDense ? 'none' : 'dot', dash: 'solid', ink: ink.blue },
      points: points('series'),
    },
    ...(background
      ? [
          {
            ...{ name: background.name, dash: '5 3', ink: ink.rust },
            shape: isDense ? ('none' as const) : ('ring' as const),
            points: points('background'),
          },
        ]
      : []),
  ]
  const [first, last] = [sides[0].first, sides[1].first + sides[1].difference.length - 1]
  return chartSvg({
    title: plainSentence(found),
    x: dayAxis('day, local standard time', first, last),
    y: numberAxis(`${massWords(found.channel)}, mean of valid day, µg/m³`, values(drawn)),
    drawn,
    marks: [
      {
        at: sides[1].first,
        words: found.until === undefined ? `${found.at}: changed` : `${found.until}: finished`,
      },
    ],
  })
}

export function hoursSvg(found: BeforeAfterFound): string {
  const { sides, background } = found
  const what = background ? `${found.name} less ${background.name}` : found.name
  const byHour = (side: SideDays): (readonly [number, number])[] =>
    Array.from({ length: 24 }, (_, hour) => {
      const all = side.difference.flatMap((day) => (day ? [day.hours[hour]] : []))
      return [hour + 0.5, meanOf(all.filter((value) => !Number.isNaN(value)))]
    })
  const drawn: Drawn[] = [
    {
      name: `before (${found.days[0]} days)`,
      shape: 'ring',
      dash: '5 3',
      ink: ink.rust,
      points: byHour(sides[0]),
    },
    {
      name: `after (${found.days[1]} days)`,
      shape: 'dot',
      dash: 'solid',
      ink: ink.blue,
      points: byHour(sides[1]),
    },
  ]
  const ticks = Array.from({ length: 9 }, (_, i) => ({
    at: i * 3,
    label: `${String(i * 3).padStart(2, '0')}:00`,
  }))
  return chartSvg({
    title: `${massWords(found.channel)} by hour of day: ${what}`,
    note: 'Means over valid days; hours of the week are not matched here.',
    x: { title: 'hour of day, local standard time', low: 0, high: 24, ticks },
    y: numberAxis(`${background ? 'difference of ' : ''}${massWords(found.channel)}, µg/m³`, values(drawn)),
    drawn,
  })
}

const values = (drawn: readonly Drawn[]): number[] => drawn.flatMap(({ points }) => points.map(([, y]) => y))
