/** The data folder in a support bundle: files and sizes, what verify finds in numbers, and what happened last. */
import { lstatSync, readdirSync } from 'node:fs'
import { join, relative } from 'node:path'
import { DeskDisk } from '../hardware/disk.js'
import { readStoreFolder, verifyFolder, type Verification } from '../store/store.js'
import { utcText, type AnchorLine, type EventLine } from '../terms/terms.js'
import { picked, type Shape } from './bundle-shape.js'
import { foldersOfStores } from './desk.js'
import { Progress } from './progress.js'

const mostFiles = 500
const mostStores = 5
const mostEvents = 80
/** Two weeks of minutes: further back is not looked for events. */
const newestLines = 20_000

/** Names that the program gives. Others are counted: a name of somebody's own may say anything. */
const ownName =
  /^(lines-[\d-]+\.csv|\.?(store|state|sim|settings-[a-z]+|wake-[a-z]+)\.json(\.[a-z]+)?|(damaged|conflicts|index)\.txt|\.station-key(\.next)?|\.control\.sock)$/

export async function storeFacts(folder: string): Promise<Record<string, unknown>> {
  const listed = filesIn(folder)
  if (typeof listed === 'string') return { readable: false, why: listed }
  const places = foldersOfStores(folder).slice(0, mostStores)
  const stores: unknown[] = []
  for (const place of places) stores.push(await verified(folder, place))
  const newest = places.includes(folder) ? folder : places[0]
  return {
    readable: true,
    ...listed,
    stores,
    ...(newest === undefined ? {} : { happened: await happened(newest) }),
  }
}

// ---- files --------------------------------------------------------------------------------------------------------------

interface Listed {
  readonly files: { readonly name: string; readonly bytes: number; readonly changed: string }[]
  readonly not_listed: { readonly files: number; readonly bytes: number }
}

/** The files, or the code of the error that came instead. */
function filesIn(folder: string): Listed | string {
  const files: Listed['files'] = []
  let [others, otherBytes] = [0, 0]
  try {
    for (const path of pathsBelow(folder, 3)) {
      const { size, mtime } = lstatSync(path)
      const name = relative(folder, path)
      if (files.length < mostFiles && isOurs(name))
        files.push({ name, bytes: size, changed: timeText(mtime) })
      else [others, otherBytes] = [others + 1, otherBytes + size]
    }
  } catch (error) {
    return (error as NodeJS.ErrnoException).code ?? 'cannot be read'
  }
  return { files, not_listed: { files: others, bytes: otherBytes } }
}

const timeText = (time: Date): string => time.toISOString().slice(0, 19) + 'Z'

const isOurs = (name: string): boolean => {
  const steps = name.split('/')
  return ownName.test(steps[steps.length - 1]) && steps.slice(0, -1).every(isOurFolder)
}

const isOurFolder = (step: string): boolean => step === 'earlier' || /^[0-9a-f-]{8,36}$/.test(step)

function pathsBelow(folder: string, deep: number): string[] {
  return readdirSync(folder, { withFileTypes: true })
    .sort((a, b) => (a.name < b.name ? -1 : 1))
    .flatMap((entry) => {
      const path = join(folder, entry.name)
      return entry.isDirectory() && deep > 0 ? pathsBelow(path, deep - 1) : [path]
    })
}

// ---- lines --------------------------------------------------------------------------------------------------------------

async function verified(top: string, place: string): Promise<unknown> {
  const progress = new Progress('looking at every row of the store')
  const found = await verifyFolder(new DeskDisk(place), { progress: (share) => progress.show(share) })
  return found.ok ? verificationFacts(found.value, place !== top) : { fault: found.fault.code }
}

function verificationFacts(found: Verification, isEarlier: boolean): Record<string, unknown> {
  const kinds: Record<string, number> = {}
  for (const { kind } of found.findings) kinds[kind] = (kinds[kind] ?? 0) + 1
  return {
    store: found.storeId,
    ...(isEarlier ? { earlier: true } : {}),
    ...{ files: found.files, lines: found.lines, by_kind: picked(found.byKind, 'numbers') },
    ...{ first_seq: found.firstSeq, last_seq: found.lastSeq, sealed_to: found.sealedTo },
    ...{ signed_to: found.signedTo, keys: found.keys.length, gone: found.gone },
    ...{ problems: found.problems, notes: found.notes, found: kinds },
  }
}

/** Details of each event that are words of the program; of an event that is not here, its name alone. */
const details: Readonly<Record<string, Shape>> = {
  started: { session: 'word', version: 'word' },
  stopped: { reason: 'word' },
  paused: { seconds: 'word' },
  'clock-step': { seconds: 'word' },
  settings: { hash: 'word', left_out: 'word' },
  alert: { rule: 'word', state: 'word', channel: 'word', average: 'word', value: 'word', priority: 'word' },
  delivery: { state: 'word', rule: 'word', change: 'word', way: 'word', attempt: 'word', fault: 'word' },
  command: { do: 'word', number: 'word' },
  sitelog: { kind: 'word', effect: 'word' },
  'link-step': { step: 'word', unanswered_s: 'word', run_of_day: 'word', result: 'word' },
  'power-cycle': { without_data_s: 'word', result: 'word' },
  'power-off': { wake_in_s: 'word' },
  'sampling-plan': { from: 'word', to: 'word', reason: 'word', charge_percent: 'word' },
  'hard-cut': { times: 'word', charge_percent: 'word' },
}

interface Happened {
  readonly seq: number
  readonly at?: string
  readonly boot: string
  readonly mono_s: number
  readonly what: string
  readonly details?: unknown
}

/** The newest events and time checks, oldest first. */
async function happened(place: string): Promise<readonly Happened[]> {
  const store = await readStoreFolder(new DeskDisk(place))
  if (!store.ok) return []
  const { reader } = store.value
  const newest = await reader.newest(1)
  const last = newest.ok ? (newest.value.at(-1)?.line.seq ?? 0) : 0
  const from = Math.max(0, last - newestLines)
  const found: Happened[] = []
  for (const kind of ['event', 'anchor'] as const)
    await reader.scan(
      (view) => {
        const line = view.line()
        if (line?.kind === 'event') found.push(eventFacts(line))
        if (line?.kind === 'anchor') found.push(anchorFacts(line))
      },
      { kind, from },
    )
  return found.sort((a, b) => a.seq - b.seq).slice(-mostEvents)
}

const placeOf = ({ seq, boot, mono, utc }: EventLine | AnchorLine) => ({
  ...{ seq, boot, mono_s: mono },
  ...(utc === undefined ? {} : { at: utcText(utc) }),
})

function eventFacts(line: EventLine): Happened {
  const shape = Object.hasOwn(details, line.name) ? details[line.name] : undefined
  return {
    ...placeOf(line),
    what: line.name,
    ...(shape === undefined ? {} : { details: picked(line.details, shape) }),
  }
}

const anchorFacts = (line: AnchorLine): Happened => ({
  ...placeOf(line),
  what: 'time check',
  details: { source: line.source, error_s: line.errorSeconds },
})
