/** Made series in files, and open data imported, for the commands that compare. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { importLog } from '../../agent/cli/import.js'
import { seriesLines } from '../../agent/cli/import-series.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { sharedPath } from '../support/shared-reference.js'
import { newFolder, ran } from './desk-rig.js'

export const hourMillis = 3_600_000
export const firstHour = Date.UTC(2026, 0, 5)

/** A series of PM in UTC; NaN is a missing hour. @returns the path of its file */
export function madeSeries(
  name: string,
  values: readonly number[],
  { from = firstHour, stepSeconds = 3600, channel = 'pm2_5' } = {},
): string {
  const file = join(newFolder(), `${name}.series.csv`)
  const series = {
    ...{ name, stepSeconds, offsetMinutes: 0, keys: [channel] },
    abouts: [{ basis: 'measured' as const }],
    starts: Float64Array.from(values, (_, i) => from + i * stepSeconds * 1000),
    values: [Float64Array.from(values, (value) => Number(value.toFixed(3)))],
  }
  writeFileSync(file, [...seriesLines(series)].join(''))
  return file
}

export const { next: chance, normal } = seededRandom(20261125)

/** Air that leans on the hour before, with a morning and an evening: a level, hour by hour. */
export function madeAir(hours: number, level = 20): number[] {
  let weather = 0
  return Array.from({ length: hours }, (_, hour) => {
    weather = 0.95 * weather + normal() * 0.12
    const daily = 1 + 0.3 * Math.sin(((hour % 12) / 12) * 2 * Math.PI)
    return level * daily * Math.exp(weather)
  })
}

/** A site of ../shared/data as a series file. */
export async function siteSeries(site: string, label: 'start' | 'end' = 'start'): Promise<string> {
  const into = newFolder()
  const options = { map: ['pm2_5=PM2.5', 'pm10=PM10'], time: 'year,month,day,hour', zone: '+08:00', label }
  await ran(() => importLog(sharedPath(`data/${site}.csv.gz`), { into, ...options }))
  return join(into, `${site}.series.csv`)
}
