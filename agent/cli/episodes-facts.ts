/** What is said of a run of hours: mean, peak, data capture, damp hours. */
import { isHour, type PeriodFigure } from '../averages/averages.js'
import { numberText } from '../terms/terms.js'
import { humidFromPercent, isHumid, type HumidityBeside } from './averages-humidity.js'

export interface RunFacts {
  readonly hours: number
  readonly counting: number
  /** Of the hours that count, each alike. */
  readonly mean: number
  /** Highest hour. */
  readonly peak: number
  readonly peakAt: number
  readonly dataCapturePercent: number
  readonly atLeast: boolean
  /** Hours that count and were humid; undefined where no humidity is recorded. */
  readonly humidHours?: number
  readonly humidityChannel?: string
}

/** Undefined where no hour counts. */
export function runFacts(hours: readonly PeriodFigure[], humidity: HumidityBeside): RunFacts | undefined {
  const counting = hours.filter(isHour)
  if (counting.length === 0) return undefined
  const [used, planned] = (['usedSeconds', 'plannedSeconds'] as const).map((key) =>
    hours.reduce((sum, hour) => sum + hour[key], 0),
  )
  const top = counting.reduce((highest, hour) => (hour.mean > highest.mean ? hour : highest))
  return {
    hours: hours.length,
    counting: counting.length,
    mean: counting.reduce((sum, { mean }) => sum + mean, 0) / counting.length,
    peak: top.mean,
    peakAt: top.from,
    dataCapturePercent: planned > 0 ? Math.round(Math.min(1, used / planned) * 1000) / 10 : 0,
    atLeast: counting.some((hour) => hour.atLeast),
    ...(humidity.channel === undefined
      ? {}
      : {
          humidHours: counting.filter((hour) => isHumid(humidity, hour.from)).length,
          humidityChannel: humidity.channel,
        }),
  }
}

export function runSteps(facts: RunFacts, decimals: number): string[] {
  const { counting, hours, mean, peak, dataCapturePercent, atLeast } = facts
  return [
    `${counting} of ${hours} hours count; mean of these, each alike: ${numberText(mean, decimals)}; highest hour ${numberText(peak, decimals)}`,
    `data capture ${dataCapturePercent.toFixed(1)} % of planned time; uncorrected`,
    ...(atLeast ? ['a part was over range: at least this much'] : []),
    humidWords(facts),
  ]
}

export function humidWords({ humidHours, counting, humidityChannel }: RunFacts): string {
  if (humidHours === undefined) return 'humidity: none is recorded here, so fog is not ruled out'
  const from = `${humidFromPercent} %RH and more by ${humidityChannel}`
  if (humidHours === 0) return `humidity: no hour had ${from}`
  return `humidity: ${humidHours} of ${counting} hours had ${from}: it may be fog`
}
