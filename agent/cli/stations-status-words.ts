/** How all stations of a group stand, for a person: a table, worst first, and below it why and what to do first. */
import { folded, tableText } from './plain-text.js'
import {
  standingStates,
  type CollectorStatus,
  type StandingReason,
  type StandingState,
  type StationStanding,
} from './stations-status-shape.js'
import { durationText } from './status-words.js'

/** Beside the word, so that a state is told by neither colour nor word alone. */
export const stateShapes: Readonly<Record<StandingState, string>> = {
  silent: '○',
  trouble: '▲',
  suspect: '◇',
  late: '◐',
  well: '●',
}

export interface StatusView {
  /** Now, UTC milliseconds. */
  readonly now: number
  /** Characters in a line. */
  readonly width: number
  /** What a person calls a station, where the register says. */
  readonly names?: ReadonlyMap<string, string>
  /** Set where no collector answered: the status is what one left behind. */
  readonly left?: string
}

/** With so many characters there is room for names, versions and stores too. */
const wideFrom = 110
const longestName = 28
const reasonIndent = 4

export function stationsText(status: CollectorStatus, view: StatusView): string[] {
  const stations = worstFirst(status.stations)
  return [
    ...titleLines(status, view),
    '',
    ...(stations.length === 0 ? ['No station has been heard yet.'] : tableLines(stations, view)),
    ...stations.flatMap((station) => reasonLines(station, view)),
    ...collectorLines(status, view),
    ...refusedLines(status, view),
  ]
}

export const worstFirst = (stations: readonly StationStanding[]): StationStanding[] =>
  [...stations].sort(
    (a, b) =>
      standingStates.indexOf(a.state) - standingStates.indexOf(b.state) || (a.station < b.station ? -1 : 1),
  )

/** '2 trouble, 1 silent': states without a station are left out. */
export const stateCounts = (stations: readonly StationStanding[]): [StandingState, number][] =>
  standingStates
    .map((state): [StandingState, number] => [state, stations.filter((one) => one.state === state).length])
    .filter(([, count]) => count > 0)

function titleLines({ group, at, stations }: CollectorStatus, view: StatusView): string[] {
  const counts = stateCounts(stations).map(([state, count]) => `${stateShapes[state]} ${count} ${state}`)
  const title = [`${group ?? 'stations'}: ${stations.length}`, ...counts].join('   ')
  const time = at === undefined ? '' : `${at.slice(0, 16).replace('T', ' ')} UTC`
  const joined = title.length + time.length + 2 <= view.width
  const first = joined ? [title + time.padStart(view.width - title.length)] : [title, time]
  return view.left === undefined ? first : [...first, folded(view.left, view.width, 2)].join('\n').split('\n')
}

/** Narrow screens and long names cost columns from the right: what is wrong there stands among the reasons too. */
function tableLines(stations: readonly StationStanding[], view: StatusView): string[] {
  const wide = view.width >= wideFrom
  const usual = ['', 'station', 'state', 'heard', 'captured', 'charge', 'backlog', 'clock']
  const head = wide ? [...usual, 'version', 'name'.padEnd(longestName)] : usual
  const rows = [
    head,
    ...stations.map((one) => [...usualCells(one, view), ...(wide ? wideCells(one, view) : [])]),
  ]
  for (let columns = head.length; ; columns--) {
    const lines = tableText(
      rows.map((row) => row.slice(0, columns)),
      3,
    )
    if (columns <= fewestColumns || lines.every((line) => line.length <= view.width)) return lines
  }
}

const fewestColumns = 4

const usualCells = (one: StationStanding, { now }: StatusView): string[] => [
  stateShapes[one.state],
  one.station,
  one.state,
  agoText(one.heardAt, now),
  percentText(one.capturePercent),
  percentText(one.chargePercent),
  one.backlogLines === undefined ? '-' : String(one.backlogLines),
  clockText(one),
]

/** What was measured, where that is beyond what the station states. */
function clockText({ clockErrorSeconds: stated, clockOffsetSeconds: offset }: StationStanding): string {
  if (offset !== undefined && Math.abs(offset) > (stated ?? 0) + usualOffsetSeconds)
    return `${durationText(Math.abs(offset))} ${offset > 0 ? 'ahead' : 'behind'}`
  return stated === undefined ? '-' : `${stated.toFixed(1)} s`
}

/** A message is on its way for a while. */
const usualOffsetSeconds = 60

/** The name stands last, so that numbers stay under each other. */
const wideCells = ({ station, software }: StationStanding, { names }: StatusView): string[] => [
  software ?? '-',
  (names?.get(station) ?? '').slice(0, longestName).padEnd(longestName),
]

const percentText = (percent: number | undefined): string =>
  percent === undefined ? '-' : `${percent.toFixed(0)} %`

/** '12 min ago'; a time that lies ahead is no age. */
function agoText(utc: string | undefined, now: number): string {
  if (utc === undefined) return 'never'
  const seconds = (now - Date.parse(utc)) / 1000
  return seconds < -1 ? 'ahead' : durationText(Math.max(0, seconds))
}

function reasonLines({ station, state, reasons }: StationStanding, view: StatusView): string[] {
  if (reasons.length === 0) return []
  const name = view.names?.get(station)
  const title = `${stateShapes[state]} ${station}${name === undefined ? '' : ` (${name})`}: ${state}`
  return ['', ...folded(title, view.width, 2).split('\n'), ...reasons.flatMap((one) => reasonText(one, view))]
}

function collectorLines({ faults }: CollectorStatus, view: StatusView): string[] {
  return faults.length === 0
    ? []
    : ['', 'The collector itself:', ...faults.flatMap((one) => reasonText(one, view))]
}

function reasonText({ words, firstThing, since }: StandingReason, { now, width }: StatusView): string[] {
  const age = since === undefined ? NaN : (now - Date.parse(since)) / 1000
  const said = age > 0 ? `${words} (for ${durationText(age)}).` : `${words}.`
  const todo = firstThing === undefined ? '' : ` First: ${firstThing}.`
  const indent = ' '.repeat(reasonIndent)
  return folded((said + todo).replaceAll('..', '.'), width - reasonIndent)
    .split('\n')
    .map((line) => indent + line)
}

/** Packs that came and could not be taken are nobody's station; they are told below. */
function refusedLines(status: CollectorStatus, { width }: StatusView): string[] {
  const { packs, reports, refusedLately, lines, postgres } = status
  const lately = refusedLately
    .slice(-mostTopics)
    .map(({ topic, reason }) => `${topic.replace(/^motepost\/1\//, '')} (${reason})`)
  const told = [
    ...countedWords('Packs', packs?.refused),
    ...countedWords('Other messages', reports?.refused),
    ...(lately.length === 0 ? [] : [`Refused lately: ${lately.reverse().join(', ')}.`]),
    ...(lines && lines.conflicts > 0
      ? [`${lines.conflicts} lines came with other content under a number that is taken: kept aside.`]
      : []),
    ...(postgres ? databaseWords(postgres) : []),
  ]
  return told.length === 0 ? [] : ['', ...told.flatMap((line) => folded(line, width, 2).split('\n'))]
}

const mostTopics = 5

function countedWords(what: string, refused: Readonly<Record<string, number>> = {}): string[] {
  const counts = Object.entries(refused).filter(([, count]) => count > 0)
  const words = counts.map(([reason, count]) => `${count} ${reason}`)
  return words.length === 0 ? [] : [`${what} refused: ${words.join(', ')}.`]
}

/** A few seconds of waiting are usual, and nothing to be told. */
const usualWaitSeconds = 60

function databaseWords({
  state,
  storesWaiting,
  behindSeconds,
}: NonNullable<CollectorStatus['postgres']>): string[] {
  if (state !== 'waiting' && behindSeconds < usualWaitSeconds) return []
  const lines = `lines of ${storesWaiting} stores wait, for up to ${durationText(behindSeconds)}`
  return [`PostgreSQL: ${state}${storesWaiting === 0 ? '' : `; ${lines}`}.`]
}
