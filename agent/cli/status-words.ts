import type { StationStatus } from '../station/station.js'
import { faultCatalogue, isMass, parseUtc, type FaultCode } from '../terms/terms.js'
import { folded, tableText, textWidth } from './plain-text.js'
import { watchText, type Place } from './local-time.js'
import type { Reached } from './reach-station.js'
import { inForceWords } from './run-trials.js'
import { missingSiteFacts } from './site-facts.js'
import { dayVerdictLines } from './status-verdicts.js'

type Live = StationStatus['live'][number]

const indent = 10
/** A space at which no line is broken. */
const bound = '\u00a0'

/** The status of a station for a narrow terminal: what counts now, what does not and why, and what to do about it. */
export function statusLines(status: StationStatus, { settings, place }: Reached): string[] {
  return [
    ...titleLines(status, place),
    ...faultLines(status),
    ...status.live.flatMap(liveLines),
    ...averageLines(status),
    ...dayVerdictLines(status, settings),
    ...status.troubles.flatMap((trouble) => troubleLines(trouble, place)),
    ...status.alerts.flatMap((alert) => alertLines(alert, place)),
    ...rows('power', gaugeWords(status)),
    ...rows('disk', diskWords(status)),
    ...rows('link', linkWords(status)),
    ...rows('modem', status.modem ? `${status.modem.words} (${durationText(status.modem.age_s)} ago)` : ''),
    ...rows('commands', commandWords(status)),
    ...rows('settings', settingsWords(status)),
    ...rows('lines', lineWords(status)),
    ...rows('key', status.seals.key ?? ''),
    ...rows('site', siteWords(status)),
    ...rows('', missingSiteFacts(settings.site) ?? ''),
  ]
}

/** A word in the margin, and what is to be said beside it, folded. */
function rows(word: string, words: string): string[] {
  if (words === '') return []
  const [first, ...more] = folded(words, textWidth - indent)
    .replaceAll(bound, ' ')
    .split('\n')
  return [word.padEnd(indent) + first, ...more.map((line) => ' '.repeat(indent) + line)]
}

function titleLines(status: StationStatus, place: Place): string[] {
  const at = status.at === undefined ? undefined : parseUtc(status.at)
  const time =
    at === undefined
      ? 'the clock is not trusted'
      : `${watchText(at, place)}, clock within ${status.clock_error_s} s`
  const title = `${status.station} (${status.group}), running for ${durationText(status.running_s)}`
  return title.length + time.length + 2 <= textWidth
    ? [title + ' '.repeat(textWidth - title.length - time.length) + time]
    : [title, time]
}

function faultLines({ faults }: StationStatus): string[] {
  if (faults.length === 0) return rows('state', 'well')
  return faults.flatMap(({ code, detail, for_s }) => {
    const { severity, words, firstThing } = faultCatalogue[code as FaultCode]
    const times = `for ${durationText(for_s)}`
    return rows(severity.toUpperCase(), `${words}, ${times} (${detail}). What to do: ${firstThing}.`)
  })
}

// ---- readings -------------------------------------------------------------------------------------------------------

const excludedWords: Readonly<Record<string, string>> = {
  'warm-up': 'the sensor warms up',
  stuck: 'masses and counts stand still: stuck',
  'no-data': 'nothing comes from the sensor',
  'sensor-error': 'the sensor reports an error',
  impossible: 'values that cannot be',
  service: 'a visit or a zero check',
  'fan-or-inlet': 'no particle at all: fan or inlet?',
}

function liveLines(live: Live): string[] {
  const counts = live.excluded === undefined ? marksWords(live) : notCounting(live)
  const values = live.values.map(({ channel, value }) => `${channel}${bound}${value}`).join(', ')
  const age = live.age_s === undefined ? 'no reading yet' : `${live.age_s} s ago`
  return [...rows('now', `${live.instrument}, ${age}: ${counts}`), ...(values === '' ? [] : rows('', values))]
}

const marksWords = ({ marked }: Live): string =>
  marked.length === 0 ? 'counts' : `counts, marked ${marked.join(', ')}`

function notCounting({ excluded, counts_again_in_s: left }: Live): string {
  const why = `does NOT count: ${excludedWords[excluded!] ?? excluded}`
  if (!left) return why
  const [least, most] = left.map(durationText)
  return least === most ? `${why}, ${least} left` : `${why}, ${least} left, ${most} at most`
}

function averageLines({ averages }: StationStatus): string[] {
  const keys = Object.keys(averages).filter(isMass)
  if (keys.length === 0) return []
  const windows = ['10-min', '1-h', '24-h', 'day']
  const table = tableText(
    [
      ['average', ...windows.map((window) => (window === 'day' ? 'day so far' : window))],
      ...keys.map((key) => [key, ...windows.map((window) => averageText(averages[key], window))]),
    ],
    1,
  )
  return [...table.map((line) => line.trimEnd()), '          (ug/m3; data capture / sampled share in %)']
}

interface AverageFacts {
  readonly mean: number | null
  readonly at_least?: boolean
  readonly data_capture_percent: number
  readonly sampled_share_percent: number
}

function averageText(of: unknown, window: string): string {
  const facts = (of as Record<string, AverageFacts | undefined>)[window]
  if (!facts) return '-'
  const figure = facts.mean === null ? 'none' : `${facts.at_least ? '≥' : ''}${facts.mean.toFixed(1)}`
  const share = (percent: number): string => percent.toFixed(0)
  return `${figure} (${share(facts.data_capture_percent)}/${share(facts.sampled_share_percent)})`
}

function alertLines(alert: Readonly<Record<string, unknown>>, place: Place): string[] {
  const { rule, state, was, watches, quiet, value, at, unknown_since: since } = alert
  const when = (text: unknown): string => {
    const utc = typeof text === 'string' ? parseUtc(text) : undefined
    return utc === undefined ? String(text) : watchText(utc, place)
  }
  const known =
    state === 'unknown' ? `not enough data since ${when(since)}; before: ${String(was)}` : String(state)
  const change = value === undefined ? '' : ` (${String(value)}${at === undefined ? '' : `, ${when(at)}`})`
  const hush = quiet === undefined ? '' : `; nothing is raised: ${localQuiet(String(quiet), place)}`
  return rows('alert', `${String(rule)}: ${known}${change}${hush}. ${String(watches)}`)
}

/** Of the station itself: what it is, since when, and what to do first. */
function troubleLines(trouble: Readonly<Record<string, unknown>>, place: Place): string[] {
  const { rule, words, detail, value, unit, since, first } = trouble
  const utc = typeof since === 'string' ? parseUtc(since) : undefined
  const figure = value === undefined ? '' : `${String(value)} ${String(unit ?? '')}`.trimEnd()
  const more = [figure, detail].filter((part) => part !== undefined && part !== '').join(', ')
  const when = utc === undefined ? '' : `, since ${watchText(utc, place)}`
  return rows(
    'trouble',
    `${String(rule)}: ${String(words)}${more === '' ? '' : ` (${more})`}${when}. What to do: ${String(first)}.`,
  )
}

/** The times of the station are UTC; people at it have a local clock. */
const localQuiet = (words: string, place: Place): string =>
  words.replace(/\d{4}-\d\d-\d\dT[\d:]+Z/, (text) => watchText(parseUtc(text)!, place).slice(11))

// ---- everything else ------------------------------------------------------------------------------------------------

const gaugeWords = ({ gauges }: StationStatus): string =>
  gauges
    .map(
      ({ channel, value, unit, age_s }) =>
        `${channel} ${value} ${unit}${age_s > 90 ? ` (${durationText(age_s)} old)` : ''}`,
    )
    .join(', ')

const diskWords = ({ disk }: StationStatus): string =>
  disk.free_bytes === undefined ? 'free space not known' : `${(disk.free_bytes / 1e9).toFixed(1)} GB free`

function linkWords({ link }: StationStatus): string {
  if (link.state === 'none') return 'none is set: everything stays here'
  const facts = link as { state: string; for_s: number; next_attempt_s?: number; receipt_age_s?: number }
  const next =
    facts.next_attempt_s === undefined ? '' : `, next attempt in ${durationText(facts.next_attempt_s)}`
  const receipt = facts.receipt_age_s === undefined ? 'none yet' : `${durationText(facts.receipt_age_s)} ago`
  return `${facts.state} for ${durationText(facts.for_s)}${next}; last receipt: ${receipt}; ${budgetWords(link)}`
}

function budgetWords(link: StationStatus['link']): string {
  const { budget, waits } = link as {
    budget: { last_24_h_kb: number; budget_kb?: number }
    waits: string
  }
  const of = budget.budget_kb === undefined ? '' : ` of ${budget.budget_kb}`
  const waiting = waits === 'nothing' ? '' : `, for which ${waits} wait`
  return `${budget.last_24_h_kb}${of} kB in 24 h (estimate, all in)${waiting}`
}

function commandWords({ commands }: StationStatus): string {
  if (!commands) return ''
  const { keys, heard, taken, refused } = commands
  const refusals = Object.entries(refused).map(([reason, count]) => `${reason} ${count}`)
  const counts = `${taken} came${refusals.length === 0 ? '' : `, refused: ${refusals.join(', ')}`}`
  const from = `from ${keys === 1 ? '1 key' : `${keys} keys`}`
  if (heard === undefined) return `${from}: no connection yet`
  if (heard) return `heard ${from}: ${counts}`
  return `NOT heard (${from}): the broker does not let the station read them, or the first key was added since it connected: then start the agent anew; ${counts}`
}

/** Nothing where nobody far away has a part in them. */
const settingsWords = ({ settings }: StationStatus): string =>
  !settings || settings.from === 'file' ? '' : inForceWords(settings)

function lineWords({ lines, link }: StationStatus): string {
  const waiting = lines.buffered > 0 ? ` and ${lines.buffered} not written yet` : ''
  const here = `safe here up to ${lines.safe}${waiting}`
  if (link.state === 'none') return here
  const { parked = [] } = link as { parked?: readonly (readonly [number, number])[] }
  const aside = parked.length === 0 ? '' : `; not taken by the broker: ${parked.map(stretch).join(', ')}`
  return `${here}; sent, no receipt yet ${lines.sent}; not sent ${lines.backlog}; safe away up to ${lines.safe_away}${aside}`
}

const stretch = ([from, to]: readonly [number, number]): string =>
  from === to ? `${from}` : `${from} to ${to}`

function siteWords({ site }: StationStatus): string {
  const { place, visit, zero_checks_running: zeros, entries } = site
  const inTime = (words: string, seconds: unknown): string =>
    seconds === undefined ? '' : `, ${words} in ${durationText(Number(seconds))}`
  const visiting = `visit: ${String(visit)}${inTime('closes itself', site.closes_itself_in_s)}${inTime('readings count again', site.counts_again_in_s)}`
  const checks = (zeros as { slot?: string; result_in_s: number }[]).map(
    ({ slot, result_in_s }) =>
      `zero check${slot ? ` of ${slot}` : ''}: result in ${durationText(result_in_s)}`,
  )
  return [
    `place: ${String(place)}`,
    visiting,
    ...checks,
    `site log: ${entries === 1 ? '1 entry' : `${String(entries)} entries`}`,
  ].join('; ')
}

/** '45 s', '12 min', '3 h', '5 d': as precise as somebody standing there wants it. */
export function durationText(seconds: number): string {
  if (seconds < 120) return `${Math.round(seconds)} s`
  if (seconds < 7200) return `${Math.round(seconds / 60)} min`
  return seconds < 172_800 ? `${Math.round(seconds / 3600)} h` : `${Math.round(seconds / 86_400)} d`
}
