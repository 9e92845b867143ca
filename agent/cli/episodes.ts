import { episodesIn, percentile7, type Episode } from '../analysis/analysis.js'
import { isHour, type PeriodFigure, type StandardMillis } from '../averages/averages.js'
import { isInForce, type Limit } from '../limits/limits.js'
import { findAverages, type AveragesFound, type AveragesOptions, type SeriesFigures } from './averages.js'
import { humidityBeside } from './averages-humidity.js'
import { refuse, say, wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { writeEpisodes } from './episodes-csv.js'
import { runFacts, type RunFacts } from './episodes-facts.js'
import { surroundingsOf, type Surrounding } from './episodes-surroundings.js'
import { episodesJson, episodesText } from './episodes-words.js'
import { hoursOfSpan } from './explain.js'
import { readEventsFile, type ActivityLog } from './import-events.js'
import { dayShown } from './averages-beside.js'
import { loadLimitSets } from './limits-files.js'

export interface EpisodesOptions extends AveragesOptions {
  readonly above?: string
  readonly percentile?: string
  readonly limit?: string
  readonly gap?: string
  readonly least?: string
  readonly events?: string
  readonly csv?: string
  readonly force?: boolean
}

export interface EpisodeFound extends Episode {
  readonly from: StandardMillis
  /** Not included. */
  readonly to: StandardMillis
  readonly facts: RunFacts
  readonly around: Surrounding
}

export interface SeriesEpisodes {
  readonly one: SeriesFigures
  /** Unit of the channel. */
  readonly above: number
  /** Where it comes from: 'the 95th percentile of 720 hours'. */
  readonly source: string
  readonly hours: number
  readonly counting: number
  readonly episodes: readonly EpisodeFound[]
}

export interface EpisodesFound {
  readonly averages: AveragesFound
  readonly rule: EpisodeRules
  readonly all: readonly SeriesEpisodes[]
  readonly activities?: ActivityLog
}

export interface EpisodeRules {
  readonly above?: number
  readonly percentile: number
  readonly limit?: string
  readonly gapHours: number
  readonly leastHours: number
}

/** @returns exit code: 0 told (also that there is none), 1 there is nothing to look through, 2 wrong use */
export async function episodes(options: EpisodesOptions): Promise<number> {
  const found = await findEpisodes(options)
  if (!found.ok) return refuse(found)
  const written =
    options.csv === undefined ? undefined : await writeEpisodes(found.value, options.csv, options)
  if (written && !written.ok) return refuse(written)
  await say(options.json ? episodesJson(found.value) : episodesText(found.value).join('\n'))
  return found.value.all.length > 0 ? 0 : 1
}

async function findEpisodes(options: EpisodesOptions): Promise<Opened<EpisodesFound>> {
  const rule = readRules(options)
  if (!rule.ok) return rule
  const log = options.events === undefined ? undefined : readEventsFile(options.events)
  if (log && !log.ok) return log
  // What `--limit` names is a level for hours here, not the set that days are judged by.
  const averages = await findAverages({ ...options, everything: true })
  if (!averages.ok) return averages
  const activities = log?.value
  const all: SeriesEpisodes[] = []
  for (const one of averages.value.figures) {
    const hours = hoursShown(one)
    if (!hours.some(isHour)) continue
    const level = levelFor(rule.value, one, averages.value, hours)
    if (!level.ok) return level
    all.push(await seriesEpisodes(averages.value, rule.value, one, hours, { ...level.value, activities }))
  }
  return {
    ok: true,
    value: { averages: averages.value, rule: rule.value, all, ...(activities ? { activities } : {}) },
  }
}

function readRules({ above, percentile, limit, gap, least }: EpisodesOptions): Opened<EpisodeRules> {
  const given = [above, percentile, limit].filter((one) => one !== undefined)
  if (given.length > 1) return wrongUse('say one of --above, --percentile and --limit')
  const number = (text: string | undefined, usual: number): number =>
    text === undefined ? usual : /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : NaN
  const rules = { percentile: number(percentile, 95), gapHours: number(gap, 1), leastHours: number(least, 1) }
  if (above !== undefined && Number.isNaN(number(above, 0)))
    return wrongUse(`--above ${above}: expected a number`)
  if (!(rules.percentile >= 0 && rules.percentile <= 100))
    return wrongUse(`--percentile ${percentile}: expected 0 to 100`)
  if (!isWhole(rules.gapHours, 0, 24)) return wrongUse(`--gap ${gap}: expected hours, 0 to 24`)
  if (!isWhole(rules.leastHours, 1, 1000)) return wrongUse(`--least ${least}: expected hours, 1 to 1000`)
  return {
    ok: true,
    value: {
      ...rules,
      ...(above === undefined ? {} : { above: Number(above) }),
      ...(limit === undefined ? {} : { limit }),
    },
  }
}

const isWhole = (value: number, least: number, most: number): boolean =>
  Number.isInteger(value) && value >= least && value <= most

/** Every hour from the first to the last that was used, also those of days without a record. */
function hoursShown({ rows, hourOf }: SeriesFigures): PeriodFigure[] {
  if (rows.length === 0) return []
  const [first, last] = [rows[0].figure.from, rows[rows.length - 1].figure.from]
  return hoursOfSpan(first, last + 3_600_000).map(hourOf)
}

function levelFor(
  { above, percentile, limit }: EpisodeRules,
  one: SeriesFigures,
  found: AveragesFound,
  hours: readonly PeriodFigure[],
): Opened<{ above: number; source: string }> {
  if (above !== undefined) return { ok: true, value: { above, source: 'as asked for' } }
  if (limit !== undefined) return levelOfLimit(limit, one, found, hours)
  const means = hours.filter(isHour).map(({ mean }) => mean)
  return {
    ok: true,
    value: {
      above: percentile7(means, percentile / 100)!,
      source: `percentile ${percentile} of the ${means.length} hours that count here`,
    },
  }
}

function levelOfLimit(
  named: string,
  { series }: SeriesFigures,
  { chosen }: AveragesFound,
  hours: readonly PeriodFigure[],
): Opened<{ above: number; source: string }> {
  const loaded = loadLimitSets()
  if (!loaded.ok) return { ok: false, code: 1, words: loaded.fault.detail }
  const sets = loaded.value
  const all: readonly Limit[] = [...sets.flatMap(({ limits }) => limits), ...chosen.shown.own]
  const ofName = all.filter(({ set, id }) => set === named || id === named)
  if (ofName.length === 0)
    return wrongUse(
      `--limit ${named}: there are the sets ${sets.map(({ name }) => name).join(', ')}, and each limit by its id`,
    )
  const channel = nameOf(series.column.channel)
  const day = dayShown(hours[hours.length - 1].from)
  const meant = ofName.find(
    (limit) => limit.channel === channel && limit.averaging === '24-hour' && isInForce(limit, day),
  )
  if (!meant)
    return wrongUse(
      `--limit ${named}: it has no 24-hour level for ${channel} on ${day}; choose a channel it has one for with --channel`,
    )
  const source = `the level of ${meant.title}, which is for 24-hour means: hours above it pass no limit (${meant.document}, ${meant.clause})`
  return { ok: true, value: { above: meant.level, source } }
}

async function seriesEpisodes(
  found: AveragesFound,
  rule: EpisodeRules,
  one: SeriesFigures,
  hours: readonly PeriodFigure[],
  level: { readonly above: number; readonly source: string; readonly activities: ActivityLog | undefined },
): Promise<SeriesEpisodes> {
  const list = hours.map((hour) => ({ from: hour.from, mean: isHour(hour) ? hour.mean : NaN }))
  const runs = episodesIn(list, { ...rule, above: level.above })
  const humidity = humidityBeside(found.gathered.series, one.series.column.channel)
  const spans = runs.map(({ first, last }) => ({ from: hours[first].from, to: hours[last].from + 3_600_000 }))
  const around = await surroundingsOf(found, one, spans, level.activities)
  return {
    ...{ one, above: level.above, source: level.source },
    hours: hours.length,
    counting: hours.filter(isHour).length,
    episodes: runs.map((run, i) => ({
      ...run,
      ...spans[i],
      facts: runFacts(hours.slice(run.first, run.last + 1), humidity)!,
      around: around[i],
    })),
  }
}
