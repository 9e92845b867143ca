import type { SiteList } from '../station/station.js'
import { folded, textWidth } from './plain-text.js'
import { localOfText, type Place } from './local-time.js'
import type { Reached } from './reach-station.js'
import { siteFactRows } from './site-facts.js'

type Entry = SiteList['entries'][number]

/** The site log for people, times in the local time of the place. */
export function listLines(list: SiteList, { settings, place }: Reached): string[] {
  const { entries, left_out, units, deployments, doubts } = list
  return [
    ...(left_out > 0 ? [`(${left_out} older entries are left out)`] : []),
    ...(entries.length === 0
      ? ['The site log is empty.']
      : entries.flatMap((entry) => entryLines(entry, place))),
    ...titled(
      'Deployments',
      deployments.map((one) => `${one.place}: ${spanText(one, place)}`),
    ),
    ...titled(
      'Units',
      units.map(
        (unit) => `${unit.slot ? `${unit.slot}: ` : ''}serial ${unit.serial}, ${spanText(unit, place)}`,
      ),
    ),
    ...titled(
      'Look',
      doubts.map(({ number, words }) => `entry ${number}: ${words}`),
    ),
    ...titled(
      'The place (settings, site)',
      siteFactRows(settings.site).map(([what, words]) => `${what}: ${words}`),
    ),
  ]
}

const titled = (title: string, lines: readonly string[]): string[] =>
  lines.length === 0 ? [] : ['', `${title}:`, ...lines.map((line) => folded(`  ${line}`, textWidth, 4))]

const spanText = ({ from, to }: { from?: string; to?: string }, place: Place): string =>
  `${from === undefined ? 'from before the log' : `from ${localOfText(from, place)}`}${to === undefined ? ', still there' : ` to ${localOfText(to, place)}`}`

/** Keys that the line itself shows. */
const shownElsewhere: readonly string[] = ['kind', 'from', 'to']

function entryLines(entry: Entry, place: Place): string[] {
  const { number, as_written, counts_as, corrected_by } = entry
  const isCorrection = as_written.kind === 'correction'
  const when = entry.from ?? (isCorrection ? entry.written_at : undefined)
  const until = entry.to === undefined ? '' : ` to ${localOfText(entry.to, place)}`
  const words = `${String(number).padStart(6)}  ${localOfText(when, place)}${until}  ${as_written.kind.replaceAll('-', ' ')}`
  const lines = [`${words}${partsText(as_written)}`]
  if (counts_as === undefined) lines.push(`        withdrawn by ${corrected_by.join(', ')}`)
  else if (corrected_by.length > 0)
    lines.push(`        corrected by ${corrected_by.join(', ')}, counts as:${partsText(counts_as)}`)
  return lines.map((line) => folded(line, textWidth, 8))
}

function partsText(details: Readonly<Record<string, string>>): string {
  const parts = Object.entries(details).filter(([key]) => !shownElsewhere.includes(key))
  return parts.map(([key, value]) => `  ${key.replaceAll('_', ' ')}: ${value}`).join('')
}
