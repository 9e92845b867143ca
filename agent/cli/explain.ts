import { hoursInDay, startOfDay, type StandardMillis } from '../averages/averages.js'
import { utcMillis } from '../terms/terms.js'
import type { AveragesFound, AveragesOptions, SeriesFigures } from './averages.js'
import { dayNumber } from './averages-beside.js'
import { refuse, say, wrongUse, type Opened } from './desk.js'
import { readSpan, type DeskZone } from './desk-zone.js'
import { explainChange, onlyOfChange, type ChangeOptions } from './explain-change.js'
import { explainDay } from './explain-day.js'
import { explainDays, explainSpan } from './explain-many.js'
import { explainPeriod } from './explain-period.js'
import { explainNowCast, explainRolling } from './explain-running.js'
import { explainJson, explainText } from './explain-words.js'
import { readAnew, type FigureSource } from './explain-source.js'
import { explainYear } from './explain-year.js'
import { figureKinds, type FigureKind } from './figure-kinds.js'

export interface ExplainOptions extends Omit<AveragesOptions, 'channel' | 'from' | 'to'>, ChangeOptions {
  readonly channel?: string
  readonly unit?: string
}

/** The numbers of `before-after`. */
export const changeKind = 'change'
/** All numbers that a text names. */
const againKind = 'again'

/** One figure, what it is made of, and how. */
export interface Explained {
  /** 'hour from 2026-03-01 09:00 (local standard time)'. */
  readonly what: string
  readonly one: SeriesFigures
  /** The figure as a person sees it; '-' where the rules give none. */
  readonly figure: string
  /** The numbers as `averages --json` tells them. */
  readonly facts: Readonly<Record<string, unknown>>
  readonly heads: readonly string[]
  readonly rows: readonly (readonly string[])[]
  /** How many of the first columns stand to the left; of them none is a number. */
  readonly left: number
  readonly steps: readonly string[]
  /** Commands that explain the rows. */
  readonly next: readonly string[]
}

/** A figure that was asked for. */
export interface Asked {
  readonly found: AveragesFound
  /** Of the records that make it. */
  readonly source: FigureSource
  readonly options: AveragesOptions
  readonly kind: FigureKind
  readonly from: StandardMillis
  /** Not included. */
  readonly to: StandardMillis
}

/** @returns exit code: 0 explained, 1 there is no such figure, 2 wrong use */
export async function explain(
  figure: string,
  when: readonly string[],
  options: ExplainOptions,
): Promise<number> {
  if (figure === changeKind) return explainChange(when, options)
  if (figure === againKind) return (await import('./explain-again.js')).explainAgain(when, options)
  const explained = await explainFigure(figure, when, options, readAnew)
  if (!explained.ok) return refuse(explained)
  const { asked, all } = explained.value
  await say(options.json ? explainJson(asked, all) : explainText(asked, all).join('\n'))
  return 0
}

/** Any figure but that of `before-after`. */
export async function explainFigure(
  figure: string,
  when: readonly string[],
  options: ExplainOptions,
  source: FigureSource,
): Promise<Opened<{ asked: Asked; all: readonly Explained[] }>> {
  const kind = (Object.keys(figureKinds) as FigureKind[]).find((one) => one === figure)
  if (!kind)
    return wrongUse(
      `'${figure}' is no figure; there are ${[...Object.keys(figureKinds), changeKind, againKind].join(', ')}`,
    )
  const idle = onlyOfChange.find(([key]) => options[key] !== undefined)
  if (idle) return wrongUse(`${idle[1]} is for explain change`)
  const typed = timesOf(kind, when)
  if (!typed.ok) return typed
  const averages: AveragesOptions = {
    ...options,
    ...typed.value,
    channel: options.channel === undefined ? undefined : [options.channel],
    tenMinutes: kind === 'ten-minutes',
    years: kind === 'year',
    oneFigure: true,
  }
  const found = await source.find(averages)
  if (!found.ok) return found
  const span = readSpan(typed.value.from, typed.value.to, found.value.zone)
  if (!span.ok) return span
  const [from, to] = [local(span.value.from, found.value.zone), local(span.value.to, found.value.zone)]
  const asked: Asked = { found: found.value, source, options: averages, kind, from, to: ends(kind, from, to) }
  const meant = found.value.figures.filter(
    ({ series }) => options.unit === undefined || series.unit?.serial === options.unit,
  )
  const all: Explained[] = []
  for (const one of meant) {
    const explained = await explainOne(asked, one)
    if (!explained.ok) return explained
    if (explained.value) all.push(explained.value)
  }
  if (all.length > 0) return { ok: true, value: { asked, all } }
  return {
    ok: false,
    code: 1,
    words: `nothing was used of that time${options.channel ? ` of ${options.channel}` : ''}: there is no such figure`,
  }
}

const local = (utc: number, { offsetMinutes }: DeskZone): StandardMillis => utc + offsetMinutes * 60_000

const twoTimes: readonly FigureKind[] = ['days', 'span']
const dayShape = /^\d{4}-\d\d-\d\d$/

function timesOf(kind: FigureKind, when: readonly string[]): Opened<{ from: string; to?: string }> {
  const needed = twoTimes.includes(kind) ? 2 : 1
  const words = `explain ${kind}: expected ${needed === 1 ? 'its time' : 'two times'} (${figureKinds[kind]})`
  if (when.length !== needed) return wrongUse(words)
  const [from, to] = when
  if (kind === 'year')
    return /^\d{4}$/.test(from)
      ? { ok: true, value: { from: `${from}-01-01`, to: `${from}-12-31` } }
      : wrongUse(words)
  if ((kind === 'day' || kind === 'days') && !when.every((one) => dayShape.test(one))) return wrongUse(words)
  return { ok: true, value: { from, to: to ?? (kind === 'day' ? from : undefined) } }
}

const lengths: Readonly<Partial<Record<FigureKind, number>>> = {
  'ten-minutes': 600_000,
  hour: 3_600_000,
  rolling24: 3_600_000,
  nowcast: 3_600_000,
}

const ends = (kind: FigureKind, from: StandardMillis, to: StandardMillis): StandardMillis =>
  lengths[kind] === undefined ? to : from + lengths[kind]

async function explainOne(asked: Asked, one: SeriesFigures): Promise<Opened<Explained | undefined>> {
  const length = lengths[asked.kind]
  if (length !== undefined && asked.from % length !== 0)
    return wrongUse(`explain ${asked.kind}: ${length / 60_000} min begin at full ones`)
  switch (asked.kind) {
    case 'ten-minutes':
    case 'hour':
      return explainPeriod(asked, one)
    case 'rolling24':
      return { ok: true, value: explainRolling(asked, one) }
    case 'nowcast':
      return { ok: true, value: explainNowCast(asked, one) }
    case 'day':
      return { ok: true, value: explainDay(asked, one) }
    case 'year':
      return { ok: true, value: explainYear(asked, one) }
    case 'days':
      return { ok: true, value: explainDays(asked, one) }
    case 'span':
      return { ok: true, value: explainSpan(asked, one) }
  }
}

/** Starts of the hours of a span, in order. */
export const hoursOfSpan = (from: StandardMillis, to: StandardMillis): StandardMillis[] =>
  Array.from({ length: Math.max(0, Math.ceil((to - from) / 3_600_000)) }, (_, i) => from + i * 3_600_000)

export const hoursOfDay = (day: string): StandardMillis[] =>
  hoursOfSpan(startOfDay(dayNumber(day)), startOfDay(dayNumber(day)) + hoursInDay * 3_600_000)

export const utcOfLocal = (at: StandardMillis, { offsetMinutes }: DeskZone) =>
  utcMillis(at - offsetMinutes * 60_000)
