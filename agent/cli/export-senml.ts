/**
 * SenML in JSON (RFC 8428, version 26 for µg/m³ of RFC 8798), written entry by entry. Names are '<station>/' and
 * '<channel>:<statistic>'; the time is the start of the minute, hour or day. Nothing without a known time is in it.
 */
import { isHour, startOfDay } from '../averages/averages.js'
import { kindOf, numberText, type UtcMillis } from '../terms/terms.js'
import { senmlWriter, type Label, type SenmlWriter } from '../uplink/uplink.js'
import { decimalsOf, utcOf, type AveragesFound } from './averages.js'
import type { DeskRecord } from './desk-records.js'

const senmlVersion = 26
/** Smaller times would be relative ones (RFC 8428 section 4.5.3). */
const firstAbsoluteMillis = 2 ** 28 * 1000

interface Entry {
  readonly name: string
  readonly unit?: string
  readonly value: { readonly number: number; readonly decimals: number } | string
}

/** Characters of a SenML name (RFC 8428 section 4.5.1). */
const baseName = (station: string): string => {
  const name = station.replace(/[^A-Za-z0-9:./_-]/g, '_')
  return (/^[A-Za-z0-9]/.test(name) ? name : 'station-' + name) + '/'
}

/** Texts that make one SenML pack when they follow each other, `end` last. */
export class SenmlText {
  private begun = false

  constructor(private readonly station: string) {}

  record(record: DeskRecord, channels: ReadonlySet<string>): string {
    const { view, set, utc } = record
    if (utc === undefined) return ''
    const entries = set.columns.flatMap(({ channel, statistic, decimals }, i): Entry[] => {
      const number = view.value(i)
      if (!channels.has(channel) || Number.isNaN(number)) return []
      const unit = statistic === 'used' ? 's' : kindOf(channel)?.senmlUnit
      return [{ name: `${channel}:${statistic}`, unit, value: { number, decimals } }]
    })
    for (const name of ['excluded', 'marked'] as const)
      if (view[name]() !== '') entries.push({ name, value: view[name]() })
    return this.at(utc, entries)
  }

  *hours({ figures, zone }: AveragesFound): Generator<string> {
    for (const { series, rows } of figures)
      for (const { figure } of rows.filter(({ figure }) => isHour(figure)))
        yield this.at(utcOf(figure.from, zone), figureEntries(series, '1-h', figure))
  }

  *days({ figures, zone }: AveragesFound): Generator<string> {
    for (const { series, days } of figures)
      for (const day of days.filter(({ valid }) => valid)) {
        const from = startOfDay(Date.parse(day.day) / 86_400_000)
        yield this.at(utcOf(from, zone), figureEntries(series, '24-h', day))
      }
  }

  end(): string {
    return this.begun ? ']\n' : '[]\n'
  }

  /** Entries of one time; the first carries it for all. */
  private at(utc: UtcMillis, entries: readonly Entry[]): string {
    if (entries.length === 0 || utc < firstAbsoluteMillis) return ''
    const writer = senmlWriter('json')
    for (const [i, { name, unit, value }] of entries.entries()) {
      const opening = i > 0 ? 0 : this.begun ? 1 : 3
      writer.entry(2 + opening + (unit === undefined ? 0 : 1))
      if (opening === 3) {
        writer.whole('bver', senmlVersion)
        writer.text('bn', baseName(this.station))
      }
      if (opening > 0) this.time(writer, utc)
      writer.text('n', name)
      if (unit !== undefined) writer.text('u', unit)
      if (typeof value === 'string') writer.text('vs', value)
      else decimal(writer, 'v', numberText(value.number, value.decimals))
    }
    const text = new TextDecoder().decode(writer.finish()).slice(1, -2)
    const joined = (this.begun ? ',\n' : '[') + text
    this.begun = true
    return joined
  }

  private time(writer: SenmlWriter, utc: UtcMillis): void {
    if (utc % 1000 === 0) writer.whole('bt', utc / 1000)
    else decimal(writer, 'bt', numberText(utc / 1000, 2))
  }
}

function decimal(writer: SenmlWriter, label: Label, text: string): void {
  const decimals = text.split('.')[1]?.length ?? 0
  writer.decimal(label, Number(text.replace('.', '')), decimals)
}

/** A mean never goes without its data capture and sampled share, as ratios. */
function figureEntries(
  series: Parameters<typeof decimalsOf>[0],
  period: string,
  figure: { mean: number; dataCapture: number; sampledShare: number; atLeast: boolean },
): Entry[] {
  const name = `${series.column.channel}:${period}`
  const ratio = (what: string, number: number): Entry => ({
    name: `${name}:${what}`,
    unit: '/',
    value: { number, decimals: 3 },
  })
  const value = { number: figure.mean, decimals: decimalsOf(series) }
  return [
    { name, unit: kindOf(series.column.channel)?.senmlUnit, value },
    ratio('data-capture', figure.dataCapture),
    ratio('sampled-share', figure.sampledShare),
    ...(figure.atLeast ? [{ name: `${name}:note`, value: 'at least' }] : []),
  ]
}
