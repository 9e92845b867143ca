/** What `episodes` says, for people and as JSON. No source is named: what went on at the same time is told, no more. */
import { compassPoint } from '../analysis/analysis.js'
import type { ListedEntry } from '../sitelog/sitelog.js'
import { numberText, utcMillis, utcText } from '../terms/terms.js'
import { importedSeries } from './averages-series.js'
import { lineWidth } from './averages-table.js'
import { decimalsOf, utcOf } from './averages.js'
import { isoText, timesLine, type DeskZone } from './desk-zone.js'
import type { EpisodeFound, EpisodesFound, SeriesEpisodes } from './episodes.js'
import { humidWords } from './episodes-facts.js'
import type { Surrounding } from './episodes-surroundings.js'
import { explainCommand, whenText } from './figure-name.js'
import { localText, offsetAt, offsetText } from './local-time.js'
import { folded, tableText } from './plain-text.js'

export function episodesText(found: EpisodesFound): string[] {
  const { averages, all, rule } = found
  const what = averages.storeId === importedSeries ? importedSeries : `store ${averages.storeId}`
  const lines = [`${averages.station}, ${what}`, timesLine(averages.zone)]
  if (all.length === 0) return [...lines, '', 'No hour counts here: there is nothing to look through.']
  for (const one of all) lines.push('', ...seriesLines(found, one))
  lines.push('', ...notes(rule.gapHours, rule.leastHours).map((note) => folded(note, lineWidth(), 2)))
  return lines
}

const notes = (gapHours: number, leastHours: number): string[] => [
  `Rule: hours strictly above; up to ${gapHours} h without a figure between two hours above do not end an episode, and are told as missing; runs of fewer than ${leastHours} h are left out.`,
  'What went on at the same time is told beside an episode. It is no finding about where the dust came from.',
]

const measure = (unit: string): string => unit.replace('ug/m3', 'µg/m³')

function seriesLines(found: EpisodesFound, one: SeriesEpisodes): string[] {
  const { column, unit, deployment } = one.one.series
  const place = deployment ? `; ${deployment.place}` : ''
  const kind = [column.channel, measure(column.unit), column.scaling, column.basis].filter(Boolean).join(', ')
  const decimals = decimalsOf(one.one.series)
  const above = `above ${numberText(one.above, decimals)} (${one.source})`
  const head = [
    folded(`${kind}; unit ${unit?.serial ?? 'not recorded'}${place}`, lineWidth(), 2),
    folded(
      `${one.episodes.length} ${one.episodes.length === 1 ? 'episode' : 'episodes'} ${above}; ${one.counting} of ${one.hours} hours count`,
      lineWidth(),
      2,
    ),
  ]
  if (one.episodes.length === 0) return head
  const rows = one.episodes.map((episode, i) => tableRow(found, episode, i, decimals))
  const heads = ['', 'from (standard)', 'to', 'h', 'mean', 'peak', 'capture', 'missing']
  return [
    ...head,
    '',
    ...tableText([heads, ...rows], 3),
    ...one.episodes.flatMap((episode, i) => blockLines(found, one, episode, i)),
  ]
}

function tableRow(found: EpisodesFound, episode: EpisodeFound, i: number, decimals: number): string[] {
  const { zone } = found.averages
  const { facts, missing } = episode
  return [
    String(i + 1),
    whenText(episode.from, zone),
    whenText(episode.to, zone),
    String(facts.hours),
    `${facts.atLeast ? '≥' : ''}${numberText(facts.mean, decimals)}`,
    `${facts.atLeast ? '≥' : ''}${numberText(facts.peak, decimals)}`,
    `${facts.dataCapturePercent.toFixed(1)} %`,
    missing > 0 ? `${missing} h` : '-',
  ]
}

function blockLines(found: EpisodesFound, one: SeriesEpisodes, episode: EpisodeFound, i: number): string[] {
  const { averages } = found
  const { facts, around } = episode
  const decimals = decimalsOf(one.one.series)
  const words = [
    watchWords(episode, averages.zone),
    `highest hour from ${whenText(facts.peakAt, averages.zone)}`,
    humidWords(facts),
    windWords(around),
    soundWords(around),
    ...around.siteLog.map((entry) => `site log: ${entryWords(entry, averages.zone)}`),
    ...activityWords(found, around, averages.zone),
    ...(averages.options.detail
      ? [`mean ${numberText(facts.mean, decimals)}: ${episodeCommand(found, one, episode)}`]
      : []),
  ]
  const lines = words.map((line) =>
    line.includes('motepost explain') ? line : folded(line, lineWidth() - 4, 2),
  )
  return ['', `${i + 1}`, ...lines.flatMap((line) => line.split('\n').map((part) => '    ' + part))]
}

export const episodeCommand = (
  { averages }: EpisodesFound,
  { one }: SeriesEpisodes,
  episode: EpisodeFound,
): string =>
  explainCommand(
    'span',
    [whenText(episode.from, averages.zone), whenText(episode.to, averages.zone)],
    one.series,
    averages.options,
  )

/** As the clocks of the place showed it; standard time has no summer. */
function watchWords({ from, to }: EpisodeFound, zone: DeskZone): string {
  const times = watchTimes(from, to, zone)
  if (!times) return 'by the clocks there: not known, only the offset is (--zone Region/City tells)'
  return `by the clocks there: ${times.from} to ${times.to} (UTC${times.offset})`
}

function watchTimes(from: number, to: number, zone: DeskZone) {
  if (zone.name === undefined) return undefined
  const place = { timeZone: zone.name, standardOffsetMinutes: zone.offsetMinutes }
  const [begin, end] = [utcOf(from, zone), utcOf(to, zone)]
  return {
    from: localText(begin, place),
    to: localText(end, place),
    offset: offsetText(offsetAt(begin, place)),
  }
}

const share = (of: number): string => `${(of * 100).toFixed(0)} %`

function windWords({ wind }: Surrounding): string {
  if (wind === 'none') return 'wind: no wind instrument here, so nothing is known of direction'
  if (wind === 'no-data') return 'wind: the instrument gave nothing during it'
  const { resultantDegrees, resultantSpeed, scalarSpeed, sigmaDegrees } = wind
  const from =
    resultantDegrees === undefined
      ? 'no direction (it cancels out)'
      : `from ${resultantDegrees.toFixed(0)}° (${compassPoint(resultantDegrees)}) at ${resultantSpeed.toFixed(1)} m/s`
  return `wind: ${from} by vector mean, speed ${scalarSpeed.toFixed(1)} m/s, directions spread by ${sigmaDegrees.toFixed(0)}°; known for ${share(wind.share)} of the time`
}

function soundWords({ sound }: Surrounding): string {
  if (sound === 'none') return 'sound: no sound instrument here'
  if (sound === 'no-data') return 'sound: the instrument gave nothing during it'
  return `sound: ${sound.mean.toFixed(1)} dB as mean of energies, highest ${sound.highest.toFixed(1)} dB; known for ${share(sound.share)} of the time`
}

function entryWords({ entry, from, to }: ListedEntry, zone: DeskZone): string {
  const at = whenText(from! + zone.offsetMinutes * 60_000, zone)
  const until = to === undefined ? '' : ` to ${whenText(to + zone.offsetMinutes * 60_000, zone)}`
  const note = entry?.note ?? entry?.reason ?? entry?.name
  return `${at}${until} ${entry!.kind}${note === undefined ? '' : `: ${note}`}`
}

/** One line a kind: a quarry blasts a few times a day, lorries pass by the hundred. */
function activityWords(
  { activities: log }: EpisodesFound,
  { activities }: Surrounding,
  zone: DeskZone,
): string[] {
  if (!log) return []
  if (activities.length === 0) return [`activity log ${log.name}: nothing then`]
  const kinds = new Map<string, typeof activities>()
  for (const one of activities) kinds.set(one.kind, [...(kinds.get(one.kind) ?? []), one])
  return [...kinds].map(([kind, all]) => {
    const minutes = all.reduce((sum, { start, end }) => sum + (end - start) / 60_000, 0)
    const [first] = all
    const words = all.length === 1 && first.words !== '' ? `: ${first.words}` : ''
    const at = whenText(first.start + zone.offsetMinutes * 60_000, zone)
    const times = all.length === 1 ? `at ${at}` : `${all.length} times, first at ${at}`
    return `activity log ${log.name}: ${kind} ${times}, ${minutes.toFixed(0)} min in all${words}`
  })
}

// ---- JSON -----------------------------------------------------------------------------------------------------------

export function episodesJson(found: EpisodesFound): string {
  const { averages, rule, all } = found
  return JSON.stringify(
    {
      v: 1,
      station: averages.station,
      store: averages.storeId,
      zone: {
        standard_offset_min: averages.zone.offsetMinutes,
        name: averages.zone.name ?? null,
        source: averages.zone.source,
      },
      rule: { gap_hours: rule.gapHours, least_hours: rule.leastHours },
      series: all.map((one) => ({
        channel: one.one.series.column.channel,
        unit: one.one.series.column.unit,
        scaling: one.one.series.column.scaling ?? null,
        basis: one.one.series.column.basis,
        serial: one.one.series.unit?.serial ?? null,
        place: one.one.series.deployment?.place ?? null,
        above: one.above,
        above_source: one.source,
        hours: one.hours,
        hours_that_count: one.counting,
        episodes: one.episodes.map((episode) => episodeJson(found, one, episode)),
      })),
      note: notes(rule.gapHours, rule.leastHours)[1],
    },
    undefined,
    2,
  )
}

const rounded = (value: number, decimals: number): number => Number(numberText(value, decimals))

function episodeJson(found: EpisodesFound, one: SeriesEpisodes, episode: EpisodeFound) {
  const { zone } = found.averages
  const { facts, around, missing } = episode
  const decimals = decimalsOf(one.one.series)
  const watch = watchTimes(episode.from, episode.to, zone)
  return {
    from: isoText(utcOf(episode.from, zone), zone),
    to: isoText(utcOf(episode.to, zone), zone),
    from_utc: utcText(utcOf(episode.from, zone)),
    watch: watch ?? null,
    hours: facts.hours,
    hours_that_count: facts.counting,
    missing_hours: missing,
    mean: rounded(facts.mean, decimals),
    peak: rounded(facts.peak, decimals),
    peak_from: isoText(utcOf(facts.peakAt, zone), zone),
    ...(facts.atLeast ? { at_least: true } : {}),
    data_capture_percent: facts.dataCapturePercent,
    humid_hours: facts.humidHours ?? null,
    humidity: humidWords(facts),
    wind: typeof around.wind === 'string' ? around.wind : windJson(around.wind),
    sound:
      typeof around.sound === 'string'
        ? around.sound
        : {
            mean_db: rounded(around.sound.mean, 1),
            highest_db: rounded(around.sound.highest, 1),
            share_percent: rounded(around.sound.share * 100, 1),
          },
    site_log: around.siteLog.map((entry) => ({
      number: entry.number,
      kind: entry.entry!.kind,
      words: entryWords(entry, zone),
    })),
    activities: around.activities.map(({ start, end, kind, words }) => ({
      from_utc: utcText(utcMillis(start)),
      to_utc: utcText(utcMillis(end)),
      kind,
      words,
    })),
    explain: episodeCommand(found, one, episode),
  }
}

const windJson = (wind: Exclude<Surrounding['wind'], string>) => ({
  from_deg: wind.resultantDegrees === undefined ? null : rounded(wind.resultantDegrees, 1),
  vector_speed_m_s: rounded(wind.resultantSpeed, 2),
  mean_speed_m_s: rounded(wind.scalarSpeed, 2),
  sigma_deg: rounded(wind.sigmaDegrees, 1),
  share_percent: rounded(wind.share * 100, 1),
})
