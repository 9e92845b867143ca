import { BlockSums, dayFigure, quarterHourSeconds, startOfDay, type DayFigure } from '../averages/averages.js'
import { usualScreening } from '../screening/screening.js'
import { standardOffsetMinutes } from '../simulation/slate-hollow.js'
import { localDay, utcMillis } from '../terms/terms.js'
import { valueOf, type FarEnd, type FarRecord } from './demo-far-end.js'
import { localText } from './demo-words.js'

const offsetMillis = standardOffsetMinutes * 60_000

export interface DemoDay {
  /** 'Tue'. */
  readonly name: string
  readonly pm2_5: DayFigure
  readonly pm10: DayFigure
  readonly alerts: number
  readonly lowestBatteryPercent: number
}

/** Figures of each valid local day, from the archive alone. */
export function daysOf({ records, events }: FarEnd): DemoDay[] {
  const placed = records.filter(({ line }) => line.utc !== undefined)
  const fine = quarterHours(placed, 'pm2_5')
  const all = quarterHours(placed, 'pm10')
  const raised = events.filter(({ name, details }) => name === 'alert' && details.state === 'raised')
  return all.days().flatMap((number) => {
    const pm10 = dayFigure(all, number)
    if (!pm10.valid) return []
    const isToday = ({ utc }: { readonly utc?: FarRecord['line']['utc'] }): boolean =>
      utc !== undefined && localDay(utc, standardOffsetMinutes) === pm10.day
    const charge = placed
      .filter(({ line }) => isToday(line))
      .map((record) => valueOf(record, 'state_of_charge', 'mean'))
    return {
      name: localText(utcMillis(startOfDay(number) - offsetMillis)).slice(0, 3),
      pm2_5: dayFigure(fine, number),
      pm10,
      alerts: raised.filter(isToday).length,
      lowestBatteryPercent: Math.min(...charge),
    }
  })
}

function quarterHours(records: readonly FarRecord[], channel: string): BlockSums {
  const sums = new BlockSums(quarterHourSeconds)
  for (const record of records) {
    const { utc, seconds, planned, marked } = record.line
    sums.add({
      from: utc! + offsetMillis,
      seconds,
      plannedSeconds: planned,
      usedSeconds: valueOf(record, channel, 'used'),
      mean: valueOf(record, channel, 'mean'),
      marked: Object.keys(marked).length > 0,
      over: valueOf(record, channel, 'max') > usualScreening.capMicrogramsPerM3,
    })
  }
  return sums
}
