/** Episodes as CSV, one a row. */
import { utcText } from '../terms/terms.js'
import { decimalsOf, utcOf } from './averages.js'
import type { Opened } from './desk.js'
import { isoText } from './desk-zone.js'
import type { EpisodesFound } from './episodes.js'
import { csvRow, num, type Cell } from './export-csv.js'
import { Sink } from './sink.js'

const heading: readonly Cell[] = [
  'start (local standard time)',
  'end (local standard time)',
  'start (UTC)',
  'channel',
  'measured in',
  'scaling',
  'basis',
  'unit',
  'place',
  'above',
  'hours',
  'hours that count',
  'missing hours',
  'mean',
  'highest hour',
  'at least',
  'data capture (%)',
  'humid hours',
  'wind from (deg)',
  'wind speed by vectors (m/s)',
  'wind known (%)',
  'sound (dB)',
  'site log entries',
  'activities',
]

function* rowsOf({ averages, all }: EpisodesFound): Generator<readonly Cell[]> {
  yield heading
  const { zone } = averages
  for (const { one, above, episodes } of all)
    for (const { from, to, facts, around, missing } of episodes) {
      const { column, unit, deployment } = one.series
      const decimals = decimalsOf(one.series)
      const wind = typeof around.wind === 'string' ? undefined : around.wind
      const sound = typeof around.sound === 'string' ? undefined : around.sound
      yield [
        isoText(utcOf(from, zone), zone),
        isoText(utcOf(to, zone), zone),
        utcText(utcOf(from, zone)),
        ...[column.channel, column.unit, column.scaling, column.basis, unit?.serial, deployment?.place],
        num(above, decimals),
        ...[facts.hours, facts.counting, missing].map((count) => num(count, 0)),
        num(facts.mean, decimals),
        num(facts.peak, decimals),
        facts.atLeast ? 'yes' : 'no',
        num(facts.dataCapturePercent, 1),
        num(facts.humidHours ?? NaN, 0),
        num(wind?.resultantDegrees ?? NaN, 1),
        num(wind?.resultantSpeed ?? NaN, 2),
        num((wind?.share ?? NaN) * 100, 1),
        num(sound?.mean ?? NaN, 1),
        num(around.siteLog.length, 0),
        num(around.activities.length, 0),
      ]
    }
}

export async function writeEpisodes(
  found: EpisodesFound,
  file: string,
  { force }: { readonly force?: boolean },
): Promise<Opened<void>> {
  const sink = await Sink.open(file, force ?? false)
  if (!sink.ok) return sink
  for (const row of rowsOf(found)) sink.value.write(csvRow(row, 'point'))
  const failed = await sink.value.end()
  if (failed !== undefined) return { ok: false, code: 1, words: `not written to its end: ${failed}` }
  return { ok: true, value: undefined }
}
