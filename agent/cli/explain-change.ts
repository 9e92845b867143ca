/** What `before-after` tells, day by day: which days lie on which side, and how the change is made of their hours. */
import type { WeekdayHours } from '../analysis/analysis.js'
import { dayText } from '../averages/averages.js'
import { beforeAfterJson, plainSentence } from './before-after-words.js'
import { findChange, type BeforeAfterFound, type BeforeAfterOptions } from './before-after.js'
import type { SideDays } from './before-after-days.js'
import { draws } from './compare-seed.js'
import { refuse, say, wrongUse, type Opened } from './desk.js'
import { timesLine } from './desk-zone.js'
import type { ExplainOptions } from './explain.js'
import { nextLines, stepLines, tableLines } from './explain-words.js'
import { shellWord } from './figure-name.js'
import { offsetText } from './local-time.js'
import { lineWidth } from './averages-table.js'
import { folded } from './plain-text.js'

/** The options of `before-after` that make its figures; the store is that of `--store`. */
export interface ChangeOptions {
  readonly until?: string
  readonly background?: string
  readonly backgroundChannel?: string
  readonly from?: string
  readonly to?: string
  readonly seed?: string
  readonly events?: string
  readonly humidity?: string
  readonly humidityChannel?: string
}

/** Options that only a comparison has, with the words for them. */
export const onlyOfChange: readonly (readonly [keyof ChangeOptions, string])[] = [
  ['until', '--until'],
  ['background', '--background'],
  ['backgroundChannel', '--background-channel'],
  ['from', '--from'],
  ['to', '--to'],
  ['seed', '--seed'],
  ['events', '--events'],
  ['humidity', '--humidity'],
  ['humidityChannel', '--humidity-channel'],
]
const ofChange: readonly (readonly [keyof BeforeAfterOptions, string])[] = [
  ['channel', '--channel'],
  ['storeId', '--store-id'],
  ['zone', '--zone'],
  ...onlyOfChange,
]

/** The command that explains the numbers of a comparison. */
export function changeCommand(options: BeforeAfterOptions): string {
  const given = ofChange.flatMap(([key, name]) => {
    const value = options[key]
    return typeof value === 'string' ? [name, value] : []
  })
  return ['motepost', 'explain', 'change', options.at, '--store', options.of, ...given]
    .map(shellWord)
    .join(' ')
}

/** @returns exit code: 0 explained, 1 too few days to compare, 2 wrong use */
export async function explainChange(when: readonly string[], options: ExplainOptions): Promise<number> {
  const read = optionsOf(when, options)
  if (!read.ok) return refuse(read)
  const found = await findChange(read.value)
  if (!found.ok) return refuse(found)
  await say(
    options.json ? changeJson(found.value, read.value) : changeText(found.value, read.value).join('\n'),
  )
  return found.value.change ? 0 : 1
}

/** Whether the numbers of a comparison can be made. */
export async function hasChange(when: readonly string[], options: ExplainOptions): Promise<Opened<boolean>> {
  const read = optionsOf(when, options)
  if (!read.ok) return read
  const found = await findChange(read.value)
  return found.ok ? { ok: true, value: found.value.change !== undefined } : found
}

function optionsOf(when: readonly string[], options: ExplainOptions): Opened<BeforeAfterOptions> {
  const [at, ...more] = when
  if (at === undefined || more.length > 0)
    return wrongUse('explain change: expected when it was done, as before-after has it')
  if (options.store === undefined)
    return wrongUse('explain change: say --store, the one that before-after compared with --of')
  return { ok: true, value: { ...options, of: options.store, at } }
}

const counted = ({ hours }: WeekdayHours): number[] => hours.filter((value) => !Number.isNaN(value))

const mean = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length

function rowsOf(
  which: string,
  { first, series, background, difference }: SideDays,
  hasBackground: boolean,
): string[][] {
  return difference.map((day, i) => {
    const head = [dayText(first + i), which]
    if (!day) return [...head, 'fewer than 18', '-', ...(hasBackground ? ['-', '-'] : [])]
    const of = (days: SideDays['series']): string => mean(counted(days[i]!)).toFixed(3)
    return [
      ...[...head, String(counted(day).length), of(series)],
      ...(hasBackground ? [of(background), of(difference)] : []),
    ]
  })
}

const allRows = ({ sides, background }: BeforeAfterFound): string[][] => [
  ...rowsOf('before', sides[0], background !== undefined),
  ...rowsOf('after', sides[1], background !== undefined),
]

const headsOf = ({ background }: BeforeAfterFound): string[] => [
  ...['day', 'side', background ? 'hours of both' : 'hours', 'series'],
  ...(background ? ['background', 'difference'] : []),
]

/** Done anew here, beside the way of `before-after`: by hour of the week, n m / (n + m) for n and m values. */
export function changeByHours(found: BeforeAfterFound): { sum: number; weights: number; hours: number } {
  const [early, late] = found.sides.map(({ difference }) => byHourOfWeek(difference))
  const total = { sum: 0, weights: 0, hours: 0 }
  for (const [hour, before] of early) {
    const after = late.get(hour)
    if (!after) continue
    const weight = (before.length * after.length) / (before.length + after.length)
    total.sum += weight * (mean(after) - mean(before))
    total.weights += weight
    total.hours++
  }
  return total
}

function byHourOfWeek(days: SideDays['difference']): Map<number, number[]> {
  const all = new Map<number, number[]>()
  for (const day of days)
    day?.hours.forEach((value, hour) => {
      if (Number.isNaN(value)) return
      const key = day.weekday * 24 + hour
      const values = all.get(key)
      if (values) values.push(value)
      else all.set(key, [value])
    })
  return all
}

function stepsOf(found: BeforeAfterFound): string[] {
  const { change, background } = found
  if (!change) return [plainSentence(found)]
  const of = background ? 'difference to the background' : 'series'
  const { sum, weights, hours } = changeByHours(found)
  const [low, high] = change.interval
  return [
    `before: mean of the daily means of ${change.daysBefore} days of the ${of} = ${change.before.toFixed(3)}; after: of ${change.daysAfter} days = ${change.after.toFixed(3)}`,
    `change: after less before for each of ${hours} hours of the week that both sides have, weighed n m / (n + m) for n and m values: ${sum.toFixed(3)} / ${weights.toFixed(3)} = ${(sum / weights).toFixed(3)}`,
    `95 %: ${low.toFixed(3)} to ${high.toFixed(3)}, from ${draws} draws of blocks of ${change.blockDays.join(' and ')} days with seed ${found.seed}, widened as Student's t for their number`,
    `shift ${change.ranks.shift.toFixed(3)}: the middle of all differences of a day after and a day before (Hodges-Lehmann); p ${change.ranks.p.toPrecision(3)} (Mann-Whitney, ${change.ranks.method})`,
    plainSentence(found),
  ]
}

function nextOf(found: BeforeAfterFound, options: BeforeAfterOptions): string[] {
  const command = (day: string, store: string, channel: string): string =>
    [
      'motepost',
      'explain',
      'day',
      day,
      '--channel',
      channel,
      '--store',
      store,
      '--zone',
      offsetText(found.zone.offsetMinutes),
    ]
      .map(shellWord)
      .join(' ')
  const days = found.sides.flatMap(({ first, difference }) =>
    difference.flatMap((day, i) => (day ? [dayText(first + i)] : [])),
  )
  return days.flatMap((day) => [
    command(day, options.of, found.channel),
    ...(options.background !== undefined && found.background
      ? [command(day, options.background, found.background.channel)]
      : []),
  ])
}

function changeText(found: BeforeAfterFound, options: BeforeAfterOptions): string[] {
  return [
    folded(
      `${found.channel} of ${found.name}${found.background ? ` beside ${found.background.name}` : ''}`,
      lineWidth(),
      2,
    ),
    timesLine(found.zone),
    '',
    ...tableLines(headsOf(found), allRows(found), 2),
    '',
    ...stepsOf(found).flatMap(stepLines),
    ...nextLines(nextOf(found, options)),
  ]
}

function changeJson(found: BeforeAfterFound, options: BeforeAfterOptions): string {
  return JSON.stringify(
    {
      v: 1,
      kind: 'change',
      of: options.of,
      figures: [
        {
          what: plainSentence(found),
          channel: found.channel,
          figure: found.change ? found.change.change.toFixed(1) : '-',
          facts: JSON.parse(beforeAfterJson(found)) as unknown,
          columns: headsOf(found),
          rows: allRows(found),
          steps: stepsOf(found),
          next: nextOf(found, options),
        },
      ],
    },
    undefined,
    2,
  )
}
