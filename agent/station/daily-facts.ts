import { isMass, kindOf, numberText, type MonoSeconds } from '../terms/terms.js'
import { quantityWords, troublesOf } from '../delivery/delivery.js'
import type { Parts } from './parts.js'

/** What a daily line has room for. */
const toldMasses = ['pm2_5', 'pm10']

interface DayMean {
  readonly mean: number | null
  readonly data_capture_percent: number
}

/** What the daily line says: means of 24 hours with the lowest data capture among them, the battery, and what stands. */
export function dailyFacts(
  { averages, gauges, faults }: Pick<Parts, 'averages' | 'gauges' | 'faults'>,
  end: MonoSeconds,
): Readonly<Record<string, string>> {
  const days = averages.keys
    .filter((key) => isMass(key) && toldMasses.includes(key.split('.')[0]))
    .map((key) => ({ key, day: averages.longJson(key, end)['24-h'] as DayMean | undefined }))
  const known = days.filter(({ day }) => typeof day?.mean === 'number')
  const captures = days.map(({ day }) => day?.data_capture_percent ?? 0)
  const last = (key: string): string | undefined => {
    const value = gauges.map((gauge) => gauge.last(key)).find((found) => found !== undefined)
    const { unit = '', decimals = 0 } = kindOf(key) ?? {}
    return value && `${numberText(value.value, Math.min(decimals, 2))}${unit === '%' ? '' : ' '}${unit}`
  }
  const battery = [last('battery_voltage'), last('state_of_charge')].filter((text) => text !== undefined)
  return {
    ...(known.length > 0
      ? { means: `${known.map(({ key, day }) => meanWords(key, day!)).join(', ')} ug/m3` }
      : {}),
    ...(captures.length > 0 ? { data_capture_percent: String(Math.floor(Math.min(...captures))) } : {}),
    ...(battery.length > 0 ? { battery: battery.join(', ') } : {}),
    ...troublesOf(faults.list()),
  }
}

const meanWords = (key: string, { mean }: DayMean): string =>
  `${quantityWords(key)} ${numberText(mean ?? 0, 1)}`
