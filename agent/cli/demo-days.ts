import { standardOffsetMinutes } from '../simulation/slate-hollow.js'
import { localDay, type LocalDay } from '../terms/terms.js'
import { valueOf, type FarEnd, type FarRecord } from './demo-far-end.js'
import { localText } from './demo-words.js'

/** The ten minutes before the first midnight are no day. */
const leastDaySeconds = 3600
const fullHourSeconds = 45 * 60

export interface DayFigures {
  /** 'Tue'. */
  readonly name: string
  readonly fullHours: number
  readonly pm2_5: number
  readonly pm10: number
  readonly atLeast: boolean
  readonly dataCapture: number
  readonly sampledShare: number
  readonly alerts: number
  readonly lowestBatteryPercent: number
}

/** Figures of each local day, from the archive alone. */
export function daysOf({ records, events }: FarEnd): DayFigures[] {
  const days = new Map<LocalDay, FarRecord[]>()
  for (const record of records) {
    if (record.line.utc === undefined) continue
    const day = localDay(record.line.utc, standardOffsetMinutes)
    const minutes = days.get(day) ?? []
    minutes.push(record)
    days.set(day, minutes)
  }
  const raised = events
    .filter(({ name, details }) => name === 'alert' && details.state === 'raised')
    .map(({ utc }) => (utc === undefined ? undefined : localDay(utc, standardOffsetMinutes)))
  return [...days]
    .filter(([, minutes]) => sumOf(minutes, ({ line }) => line.planned) >= leastDaySeconds)
    .map(([day, minutes]) => dayFigures(minutes, raised.filter((of) => of === day).length))
}

function dayFigures(minutes: readonly FarRecord[], alerts: number): DayFigures {
  const used = sumOf(minutes, usedSeconds)
  const hours = new Map<number, number>()
  for (const minute of minutes) {
    const hour = Math.floor(minute.line.utc! / 3_600_000)
    hours.set(hour, (hours.get(hour) ?? 0) + usedSeconds(minute))
  }
  const mean = (channel: string): number =>
    sumOf(minutes, (m) => (usedSeconds(m) > 0 ? usedSeconds(m) * valueOf(m, channel, 'mean') : 0)) / used
  return {
    name: localText(minutes[0].line.utc!).slice(0, 3),
    fullHours: [...hours.values()].filter((seconds) => seconds >= fullHourSeconds).length,
    pm2_5: mean('pm2_5'),
    pm10: mean('pm10'),
    atLeast: minutes.some(({ line }) => line.marked['over-range'] > 0),
    dataCapture: used / sumOf(minutes, ({ line }) => line.planned),
    sampledShare: used / 86_400,
    alerts,
    lowestBatteryPercent: Math.min(...minutes.map((m) => valueOf(m, 'state_of_charge', 'mean'))),
  }
}

const usedSeconds = (minute: FarRecord): number => valueOf(minute, 'pm10', 'used')

const sumOf = (minutes: readonly FarRecord[], of: (minute: FarRecord) => number): number =>
  minutes.reduce((sum, minute) => sum + of(minute), 0)
