/** Humidity beside a unit: of its own box, or of wherever `--humidity` says, hour by hour. */
import { dayMean, hourMean, hoursFrom, openSources, type Hours, type Source } from './compare-hours.js'
import { wrongUse, type Opened } from './desk.js'
import { nameOf, slotOf } from './desk-records.js'
import { startOfDay, type StandardMillis } from '../averages/averages.js'

export interface HourlyHumidity {
  /** Channel and place, as told; undefined where there is none. */
  readonly name: string | undefined
  /** %RH of the hour (or with `ofDay` of the whole day) that begins then, NaN where it is not known. */
  readonly at: (start: StandardMillis, ofDay?: boolean) => number
}

export interface HumidityOptions {
  readonly humidity?: string
  readonly humidityChannel?: string
}

export async function humidityFor(
  unit: { readonly hours: Hours; readonly source: Source },
  offsetMinutes: number,
  { humidity, humidityChannel }: HumidityOptions,
): Promise<Opened<HourlyHumidity>> {
  if (humidityChannel !== undefined && nameOf(humidityChannel) !== 'humidity')
    return wrongUse(
      `--humidity-channel ${humidityChannel}: expected humidity, or a slot of it: humidity.outside`,
    )
  const sources = humidity === undefined ? undefined : await openSources(humidity)
  if (sources && !sources.ok) return sources
  const all: Hours[] = []
  for (const source of sources?.value ?? [unit.source]) {
    const hours = await hoursFrom(source, humidityChannel ?? 'humidity', offsetMinutes)
    if (!hours.ok) return hours
    all.push(...hours.value)
  }
  const meant = ofOneChannel(all, unit.hours.channel)
  if (!meant.ok) return meant
  // Of one channel, one stretch after another: where a unit was changed, the next goes on.
  const at = (start: StandardMillis, ofDay = false): number => {
    const found = meant.value.map(({ sums }) =>
      ofDay ? dayMean(sums, Math.floor(start / dayMillis)) : hourMean(sums, start),
    )
    return found.find((value) => !Number.isNaN(value)) ?? NaN
  }
  const [first] = meant.value
  return { ok: true, value: { name: first && `${first.channel} of ${first.name}`, at } }
}

const dayMillis = startOfDay(1) - startOfDay(0)

/** That of the unit's own slot, or the only one there is. */
function ofOneChannel(all: readonly Hours[], ofUnit: string): Opened<readonly Hours[]> {
  const channels = [...new Set(all.map(({ channel }) => channel))]
  const own = channels.find((channel) => slotOf(channel) === slotOf(ofUnit))
  const meant = channels.length > 1 ? own : channels[0]
  if (meant === undefined && channels.length > 1)
    return wrongUse(`there are several humidities (${channels.join(', ')}); name one with --humidity-channel`)
  return { ok: true, value: all.filter(({ channel }) => channel === meant) }
}
