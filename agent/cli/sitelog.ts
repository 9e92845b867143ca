import type { SiteList } from '../station/station.js'
import { bad, faultText, parseUtc, utcMillis, type Outcome } from '../terms/terms.js'
import { localOfText, readLocalTime, zoneWord, type Place } from './local-time.js'
import { addToFolder, listOfFolder } from './offline-sitelog.js'
import { askStation, reachStation, refusalText, type Reached } from './reach-station.js'
import { listLines } from './sitelog-words.js'

/** Keys as in the details of a site log line; what is not given is undefined. */
export type GivenEntry = Readonly<Record<string, string | undefined>>

export interface Output {
  readonly json?: boolean
}

interface EntryRefusal {
  readonly words: string
  readonly code?: string
}

/** The answer of the station, or of the store where none runs. */
interface Added {
  readonly ok: boolean
  readonly number?: number
  readonly safe?: boolean
  readonly details?: Readonly<Record<string, string>>
  readonly notes?: readonly string[]
  readonly faults?: readonly EntryRefusal[]
}

/**
 * Writes an entry: through the running agent, or straight into the store when none runs.
 * @returns exit code: 0 noted and safe, 1 it could not be, 2 an entry that cannot be, or settings that cannot be used
 */
export async function addEntry(file: string, given: GivenEntry, output: Output): Promise<number> {
  const reached = reachStation(file)
  if (!reached) return 2
  const entry = inUtc(given, reached.place)
  if ('words' in entry) return say(output, { ok: false, faults: [{ words: entry.words }] }, 2)
  const asked = await askStation(reached.settings, { do: 'add', entry })
  const offline = !asked.ok && asked.fault.code === 'agent-not-running'
  const answer = offline ? await addToFolder(reached.settings, entry) : asked
  const refused = refusalText(answer)
  if (refused !== undefined) return say(output, { ok: false, faults: [{ words: refused }] }, 1)
  const added = (answer as { value: Added }).value
  if (!added.ok) return say(output, added, 2)
  if (output.json) return say(output, added, added.safe ? 0 : 1)
  print(addedWords(added, reached.place, offline))
  return added.safe ? 0 : 1
}

const print = (line: string): void => void process.stdout.write(line + '\n')

function say({ json }: Output, added: Added, code: number): number {
  if (json) print(JSON.stringify(added))
  else for (const fault of added.faults ?? []) process.stderr.write(faultWords(fault) + '\n')
  return code
}

/** The station takes UTC; this command takes more. */
const faultWords = ({ words, code }: EntryRefusal): string =>
  code === 'not-a-time'
    ? `${words}; here also local time: '08:30', 'yesterday 08:30', '2026-03-01 08:30'`
    : words

function inUtc(given: GivenEntry, place: Place): Record<string, string> | { words: string } {
  const entry: Record<string, string> = {}
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined) continue
    const isTime = key === 'from' || key === 'to'
    const read = isTime
      ? readLocalTime(value, place, utcMillis(Date.now()))
      : ({ ok: true, text: value } as const)
    if (!read.ok) return { words: `${key}: ${read.words}` }
    entry[key] = read.text
  }
  return entry
}

function addedWords(
  { number, safe, details = {}, notes = [] }: Added,
  place: Place,
  offline: boolean,
): string {
  const { kind, from, to } = details
  const span =
    from === undefined ? 'now' : `${localOfText(from, place)}${to ? ` to ${localOfText(to, place)}` : ''}`
  const zone = zoneWord(parseUtc(from ?? '') ?? utcMillis(Date.now()), place)
  const where = offline ? ' (no agent runs; written to the store)' : ''
  const kept = safe ? 'safe on the disk' : 'NOT safe yet: the disk does not take it'
  return [
    `entry ${number}: ${kind.replaceAll('-', ' ')}, ${span} (${zone}), ${kept}${where}`,
    ...notes.map((words) => `look: ${words}`),
  ].join('\n')
}

/**
 * Shows the site log: entries, units, deployments, what does not fit together, and the facts of the place.
 * @returns exit code: 0 shown, 1 it could not be read, 2 settings that cannot be used
 */
export async function listEntries(file: string, output: Output): Promise<number> {
  const reached = reachStation(file)
  if (!reached) return 2
  const list = await siteLogOf(reached)
  if (!list.ok) {
    process.stderr.write(faultText(list.fault) + '\n')
    return 1
  }
  if (output.json) print(JSON.stringify({ ...list.value, site: reached.settings.site ?? {} }))
  else print(listLines(list.value, reached).join('\n'))
  return 0
}

async function siteLogOf({ settings }: Reached): Promise<Outcome<SiteList>> {
  const asked = await askStation(settings, { do: 'list' })
  if (!asked.ok) return asked.fault.code === 'agent-not-running' ? listOfFolder(settings) : asked
  const { list, words } = asked.value as { list?: SiteList; words?: string }
  return list ? { ok: true, value: list } : bad('agent-silent', words ?? 'no list came')
}
