/** CSV as RFC 4180 has it, for spreadsheets too: decimal comma on wish, and no text that a spreadsheet would run. */
import { numberText, utcText, type Column, type UtcMillis } from '../terms/terms.js'
import { boundText, oneOfEachSlot, slotOf, standingOf, type DeskRecord } from './desk-records.js'
import type { Survey } from './desk-survey.js'
import { isoText, type DeskZone } from './desk-zone.js'
import type { DayFigure } from '../averages/averages.js'
import { startOfDay } from '../averages/averages.js'
import { decimalsOf, utcOf, type AveragesFound, type HourRow, type SeriesFigures } from './averages.js'

export type Decimal = 'point' | 'comma'

/** A number with its decimals, a text, or nothing. */
export type Cell = { readonly number: number; readonly decimals: number } | string | undefined

export const num = (number: number, decimals: number): Cell =>
  Number.isNaN(number) ? undefined : { number, decimals }

/** A spreadsheet takes what begins so for a formula, also behind blanks; an apostrophe keeps it a text. */
const formulaStart = /^\s*[=+\-@\t\r]/
const mustBeQuoted = /[",;\r\n]|^\s|\s$/

function cellText(cell: Cell, decimal: Decimal): string {
  if (cell === undefined) return ''
  if (typeof cell !== 'string') {
    const text = numberText(cell.number, cell.decimals)
    return decimal === 'comma' ? text.replace('.', ',') : text
  }
  const safe = formulaStart.test(cell) ? "'" + cell : cell
  return mustBeQuoted.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe
}

/** One row with its line end; ';' between cells where the comma is taken. */
export const csvRow = (cells: readonly Cell[], decimal: Decimal): string =>
  cells.map((cell) => cellText(cell, decimal)).join(decimal === 'comma' ? ';' : ',') + '\r\n'

// ---- minutes --------------------------------------------------------------------------------------------------------

const columnKey = ({ channel, statistic, unit, scaling, basis }: Column): string =>
  [channel, statistic, unit, scaling, basis].join('|')

/** 'pm10 mean (ug/m3, atmospheric, inferred)'. */
const columnHead = ({ channel, statistic, unit, scaling, basis }: Column): string =>
  `${channel} ${statistic} (${[unit, scaling, basis === 'inferred' ? basis : undefined].filter(Boolean).join(', ')})`

/** Rows of minutes: one set of columns for the whole file, whatever sets its records have. */
export class MinuteRows {
  private readonly columns: readonly Column[]
  private readonly channels: readonly string[]
  /** Of each column set, where its values go. */
  private readonly places = new Map<string, number[]>()

  constructor(
    private readonly survey: Survey,
    channels: readonly string[],
    private readonly zone: DeskZone,
  ) {
    const byKey = new Map<string, Column>()
    for (const column of survey.sets.flatMap((set) => set.columns))
      if (channels.includes(column.channel) && !byKey.has(columnKey(column)))
        byKey.set(columnKey(column), column)
    this.columns = [...byKey.values()]
    this.channels = oneOfEachSlot(this.columns.map(({ channel }) => channel))
  }

  heading(): Cell[] {
    return [
      'number',
      'start (local standard time)',
      'start (UTC)',
      'time from',
      'length (s)',
      'planned (s)',
      ...this.columns.map(columnHead),
      'excluded (s)',
      'marked (s)',
      'left out by the site log',
      'unit',
      'place',
      'boot',
    ]
  }

  row(record: DeskRecord): Cell[] {
    const { view, utc, boot, seconds, corrected, bound } = record
    const values = Array.from({ length: this.columns.length }, (): Cell => undefined)
    for (const [i, place] of this.placesOf(record).entries())
      if (place >= 0) values[place] = num(view.value(i), record.set.columns[i].decimals)
    return [
      num(view.seq, 0),
      ...(utc === undefined
        ? ['', '', (bound && boundText(bound)) || 'not known']
        : [isoText(utc, this.zone), utcText(utc), sourceWords(corrected, bound)]),
      num(seconds, 1),
      num(view.planned(), 1),
      ...values,
      view.excluded(),
      view.marked(),
      ...this.siteCells(utc, seconds),
      boot,
    ]
  }

  private placesOf({ set }: DeskRecord): number[] {
    let places = this.places.get(set.id)
    if (!places) {
      const keys = this.columns.map(columnKey)
      places = set.columns.map((column) => keys.indexOf(columnKey(column)))
      this.places.set(set.id, places)
    }
    return places
  }

  private siteCells(utc: UtcMillis | undefined, seconds: number): Cell[] {
    if (utc === undefined) return [undefined, undefined, undefined]
    const standings = this.channels.map((channel) => ({
      slot: slotOf(channel),
      ...standingOf(this.survey, channel, utc, seconds),
    }))
    const leftOut = new Set(standings.flatMap(({ leftOut }) => leftOut?.words ?? []))
    const units = standings.flatMap(({ unit, slot }) =>
      unit ? [slot === undefined ? unit.serial : `${slot}: ${unit.serial}`] : [],
    )
    const place = standings.find(({ deployment }) => deployment)?.deployment?.place
    return [[...leftOut].join('; '), units.join('; '), place]
  }
}

const sourceWords = (corrected: boolean, bound: DeskRecord['bound']): string =>
  bound ? boundText(bound) : corrected ? 'time check' : 'record'

// ---- hours and days -------------------------------------------------------------------------------------------------

const whatHead = ['channel', 'measured in', 'scaling', 'basis', 'unit', 'place'] as const
const figureHead = [
  'mean',
  'at least',
  'mean without marked',
  'data capture (%)',
  'sampled share (%)',
] as const

function whatCells({ series: { column, unit, deployment } }: SeriesFigures): Cell[] {
  return [column.channel, column.unit, column.scaling, column.basis, unit?.serial, deployment?.place]
}

function figureCells(figure: HourRow['figure'] | DayFigure, decimals: number): Cell[] {
  return [
    num(figure.mean, decimals),
    figure.atLeast ? 'yes' : 'no',
    num(figure.meanUnmarked, decimals),
    num(figure.dataCapture * 100, 1),
    num(figure.sampledShare * 100, 1),
  ]
}

export const hoursHeading: readonly Cell[] = [
  'start (local standard time)',
  'start (UTC)',
  'length (s)',
  ...whatHead,
  'what it is',
  ...figureHead,
  'used (s)',
  'rolling 24 h mean',
  'rolling 24 h hours',
]

export function* hourCells({ figures, zone }: AveragesFound): Generator<Cell[]> {
  for (const one of figures)
    for (const { figure, rolling } of one.rows) {
      const utc = utcOf(figure.from, zone)
      const decimals = decimalsOf(one.series)
      yield [
        isoText(utc, zone),
        utcText(utc),
        num(figure.seconds, 0),
        ...whatCells(one),
        figure.kind,
        ...figureCells(figure, decimals),
        num(figure.usedSeconds, 1),
        num(rolling?.mean ?? NaN, decimals),
        num(rolling?.hours ?? NaN, 0),
      ]
    }
}

export const daysHeading: readonly Cell[] = [
  'day (local standard time)',
  'start (UTC)',
  ...whatHead,
  'what it is',
  ...figureHead,
  'full hours',
  'sampled hours',
  'highest hour',
]

export function* dayCells({ figures, zone }: AveragesFound): Generator<Cell[]> {
  for (const one of figures)
    for (const day of one.days) {
      const decimals = decimalsOf(one.series)
      yield [
        day.day,
        utcText(utcOf(startOfDay(Date.parse(day.day) / 86_400_000), zone)),
        ...whatCells(one),
        day.valid ? '24-hour mean' : 'mean so far: fewer than 18 hours',
        ...figureCells(day, decimals),
        num(day.fullHours, 0),
        num(day.sampledHours, 0),
        num(day.highestHour, decimals),
      ]
    }
}
