/** Drawings of a side-by-side run: each unit's days over the reference's, and all of them over time. */
import { nameOf } from './desk-records.js'
import type { CollocateFound } from './collocate.js'
import type { UnitFound } from './collocate-unit.js'
import { dayMean } from './compare-hours.js'
import type { Opened } from './desk.js'
import { offsetText } from './local-time.js'
import { chartSvg, dashes, ink, shapes, type Drawn } from './svg.js'
import { dayAxis, numberAxis, writeDrawings } from './svg-axes.js'
import { massWords } from './before-after-words.js'

/** @returns paths of the files, or why there are none */
export function drawCollocation(
  found: CollocateFound,
  folder: string | undefined,
  force: boolean,
): Opened<readonly string[]> {
  if (folder === undefined) return { ok: true, value: [] }
  const names = found.units.map(({ hours, serial }, i) => serial ?? `${hours.name}-${i + 1}`)
  return writeDrawings(
    folder,
    [
      ...found.units.map((unit, i) => ({
        name: `${found.channel}-${names[i]}-scatter`,
        svg: scatterSvg(found, unit),
      })),
      { name: `${found.channel}-time`, svg: timeSvg(found) },
    ],
    force,
  )
}

export function scatterSvg({ channel, reference }: CollocateFound, unit: UnitFound): string {
  const { pairs, line, hours } = unit
  const points = pairs.map((pair) => [pair.reference, pair.unit] as const)
  const axis = numberAxis('', points.flat())
  const what = massWords(channel)
  const ends = [axis.low, axis.high]
  const along = (slope: number, intercept: number) => clipped(ends[0], ends[1], (x) => intercept + slope * x)
  const drawn: Drawn[] = [
    { name: 'alike (1:1)', shape: 'none', dash: '2 4', ink: ink.grey, points: along(1, 0) },
    ...(line
      ? [
          {
            name: `unit = ${line.slope.toFixed(2)} x reference ${signed(line.intercept)}, R² ${line.rSquared.toFixed(2)}`,
            ...{ shape: 'none' as const, dash: 'solid', ink: ink.rust, width: 2 },
            points: along(line.slope, line.intercept),
          },
        ]
      : []),
    { name: 'a day', shape: 'ring', ink: ink.blue, points },
  ]
  return chartSvg({
    title: `${what}: ${hours.name} beside ${reference.name}`,
    x: { ...axis, title: `24-h mean, µg/m³: ${reference.name}` },
    y: { ...axis, title: `24-h mean, µg/m³: ${hours.name}` },
    drawn,
    size: { width: 560, height: 600 },
  })
}

const signed = (value: number): string => `${value < 0 ? '-' : '+'} ${Math.abs(value).toFixed(1)}`

/** Two ends of a line inside the square. */
function clipped(low: number, high: number, of: (x: number) => number): (readonly [number, number])[] {
  const inside = Array.from({ length: 201 }, (_, i) => low + ((high - low) * i) / 200).filter(
    (x) => of(x) >= low && of(x) <= high,
  )
  return inside.length < 2 ? [] : [inside[0], inside[inside.length - 1]].map((x) => [x, of(x)] as const)
}

export function timeSvg({ channel, reference, units, firstDay, lastDay, zone }: CollocateFound): string {
  const days = Array.from({ length: lastDay - firstDay + 1 }, (_, i) => firstDay + i)
  /** More marks than this run into each other. */
  const isDense = days.length > 200
  const series = (sums: UnitFound['hours']['sums']) =>
    days.map((day) => [day + 0.5, dayMean(sums, day)] as const)
  const drawn: Drawn[] = [
    {
      name: reference.name,
      shape: isDense ? 'none' : 'dot',
      dash: 'solid',
      width: 2.2,
      points: series(reference.sums),
    },
    ...units.map(({ hours }, i) => ({
      name: hours.name,
      shape: isDense ? ('none' as const) : shapes[1 + (i % (shapes.length - 1))],
      dash: dashes[1 + (i % (dashes.length - 1))],
      ink: [ink.rust, ink.blue, ink.grey][i % 3],
      points: series(hours.sums),
    })),
  ]
  return chartSvg({
    title: `${massWords(channel)}: 24-h means of valid days, side by side with ${reference.name}`,
    x: dayAxis(`day, local standard time (UTC${offsetText(zone.offsetMinutes)})`, firstDay, lastDay),
    y: numberAxis(
      `${nameOf(channel) === channel ? massWords(channel) : channel}, µg/m³`,
      drawn.flatMap(({ points }) => points.map(([, y]) => y)),
    ),
    drawn,
  })
}
