import { resolve } from 'node:path'
import type { Candidate, Layout, LineCounts, Sureness } from '../instruments/instruments.js'
import {
  channelKinds,
  faultText,
  type Basis,
  type Fault,
  type FaultCode,
  type Scaling,
} from '../terms/terms.js'
import type { BoardView } from './listen-board.js'
import { causesOf } from './listen-causes.js'
import { decode, type Sound } from './listen-judge.js'
import { bestAttempt, mostHeard, type Attempt, type Search } from './listen-session.js'

/** What `listen` found out, as --json prints it; the words for a person are made from it. */
export interface Facts {
  readonly port: string
  /** Readings of a known layout came. */
  readonly recognised: boolean
  readonly heard: Sound | 'not-opened' | 'stopped'
  readonly fault?: { readonly code: FaultCode; readonly words: string }
  /** Speed at which it was heard. */
  readonly baud?: number
  readonly bytes: number
  readonly seconds: number
  /** It kept silent until commands were sent. */
  readonly after_commands: boolean
  /** Layouts that explain what came, best first. */
  readonly layouts: readonly LayoutFacts[]
  readonly reading?: ReadingFacts
  readonly notes: readonly string[]
  /** Lines of text that came. */
  readonly sample: readonly string[]
  readonly causes: readonly string[]
  readonly tried: readonly TriedFacts[]
  /** Lines for the settings file. */
  readonly settings?: string
  /** File of the recording. */
  readonly recording?: string
  /** Why none was written though it was asked for. */
  readonly recording_fault?: string
}

export interface LayoutFacts {
  readonly name: string
  readonly about: string
  readonly polled: boolean
  /** Text lines have none. */
  readonly checksums: boolean
  readonly sure: Sureness
  readonly frames: number
  readonly answers: number
  readonly share_explained: number
}

export interface ReadingFacts {
  readonly values: readonly {
    readonly channel: string
    readonly value: number
    readonly unit: string
    readonly scaling?: Scaling
    readonly basis: Basis
  }[]
  readonly error_code: number
  readonly device?: string
  readonly version?: number
}

export interface TriedFacts {
  readonly baud?: number
  readonly seconds: number
  readonly commands: readonly string[]
  readonly bytes: number
  readonly heard: Sound
}

export interface Asked {
  readonly port: string
  readonly kind: 'serial' | 'tcp' | 'file'
  /** Layout as the user named it, where one was given. */
  readonly layout?: string
  readonly board: BoardView
}

export function factsOf(asked: Asked, search: Search): Facts {
  const best = bestAttempt(search.attempts)
  const { port } = asked
  const nothing = { port, recognised: false, bytes: 0, seconds: 0, after_commands: false, ...empty }
  if (search.fault && !best) return { ...nothing, heard: 'not-opened', ...openFacts(asked, search.fault) }
  if (!best || (search.stopped && best.judgement.sound !== 'frames'))
    return { ...nothing, heard: 'stopped', tried: search.attempts.map(triedFacts) }
  return heardFacts(asked, search, best)
}

const empty = { layouts: [], notes: [], sample: [], causes: [], tried: [] } as const

function openFacts({ kind, board }: Asked, fault: Fault): Pick<Facts, 'fault' | 'notes'> {
  const { code, detail } = fault
  if (kind === 'file') return { fault: { code, words: `the recording cannot be read: ${detail}` }, notes: [] }
  const misspelt = kind === 'serial' && (code === 'port-missing' || code === 'port-not-serial')
  const others = misspelt && board.others.length > 0
  return {
    fault: { code, words: faultText(fault) },
    notes: others ? [`Ports of this board: ${board.others.join(', ')}.`] : [],
  }
}

function heardFacts(asked: Asked, search: Search, best: Attempt): Facts {
  const { judgement, trial } = best
  const recognised = judgement.sound === 'frames'
  const layout = recognised ? judgement.candidates[0].layout : undefined
  const speeds = search.attempts.flatMap(({ trial: { baud } }) => (baud === undefined ? [] : [baud]))
  return {
    port: asked.port,
    recognised,
    heard: judgement.sound,
    ...laterFault(asked, search, best),
    ...(trial.baud === undefined ? {} : { baud: trial.baud }),
    bytes: judgement.bytes.length,
    seconds: tenths(best.seconds),
    after_commands: best.asked && judgement.sound !== 'nothing',
    layouts: judgement.candidates.map(layoutFacts),
    ...(layout ? readingFacts(layout, judgement.bytes) : {}),
    notes: notesOf(best, search),
    sample: judgement.sample,
    causes:
      best.lost && judgement.sound === 'nothing'
        ? []
        : causesOf({ ...asked, best, speeds, commands: commandsIn(search.attempts) }),
    tried: search.attempts.map(triedFacts),
    ...(layout ? { settings: settingsLines(asked, layout, trial.baud) } : {}),
  }
}

/** The port was there and then was not, or did not take a speed. */
function laterFault({ port }: Asked, { fault }: Search, { lost, judgement }: Attempt): Pick<Facts, 'fault'> {
  const later: Fault | undefined = lost ? { code: 'port-gone', detail: port } : fault
  return later && judgement.sound !== 'frames' ? { fault: { code: later.code, words: faultText(later) } } : {}
}

const layoutFacts = ({ layout, sure, framesGood, answers, shareExplained }: Candidate): LayoutFacts => ({
  name: layout.name,
  about: layout.about,
  polled: layout.mode === 'polled',
  checksums: layout.framing.kind !== 'lines',
  sure,
  frames: framesGood,
  answers,
  share_explained: Math.round(shareExplained * 1000) / 1000,
})

function readingFacts(layout: Layout, bytes: Uint8Array): Pick<Facts, 'reading'> {
  const { decoder, values, errorCode } = decode(layout, bytes)
  if (!values) return {}
  return {
    reading: {
      values: decoder.channels.map(({ key, name, scaling, basis }, i) => ({
        channel: key,
        value: Number(values[i].toFixed(channelKinds[name].decimals)),
        unit: channelKinds[name].unit,
        ...(scaling === undefined ? {} : { scaling }),
        basis,
      })),
      error_code: errorCode,
      ...decoder.identity(),
    },
  }
}

function triedFacts(attempt: Attempt): TriedFacts {
  const { trial, seconds, judgement } = attempt
  return {
    ...(trial.baud === undefined ? {} : { baud: trial.baud }),
    seconds: tenths(seconds),
    commands: commandsIn([attempt]),
    bytes: judgement.bytes.length,
    heard: judgement.sound,
  }
}

/** Names of the commands that were sent, each once. */
const commandsIn = (attempts: readonly Attempt[]): string[] => [
  ...new Set(attempts.flatMap(({ asked, trial }) => (asked ? trial.asks.map(({ name }) => name) : []))),
]

const tenths = (seconds: number): number => Math.round(seconds * 10) / 10

function notesOf(best: Attempt, search: Search): string[] {
  const { judgement, lost, chunks } = best
  const { sound, consoleToo, echoes, candidates, damaged } = judgement
  const notes: string[] = []
  const counts =
    sound === 'frames' ? decode(candidates[0].layout, judgement.bytes).decoder.lineCounts() : undefined
  if (counts) notes.push(...disturbances(counts))
  if (damaged)
    notes.push(`They look like ${damaged.layout.name}: ${damaged.frames} frames with a wrong check.`)
  if (sound === 'frames' && consoleToo)
    notes.push('A console writes on this line too: stop it, or its text will spoil frames.')
  if (sound !== 'echo' && echoes > 0)
    notes.push('The adapter repeats what is sent; readings are not affected.')
  if (sound === 'frames' && lost) notes.push('Then the port went away.')
  if (sound === 'frames' && search.stopped) notes.push('Stopped before the end.')
  if (chunks.reduce((sum, { bytes }) => sum + bytes.length, 0) >= mostHeard)
    notes.push(`More came than is kept: the first ${mostHeard / 1024} kB were looked at.`)
  return notes
}

function disturbances({ framesBadChecksum, framesGood }: LineCounts): string[] {
  if (framesBadChecksum === 0) return []
  const share = Math.round((100 * framesBadChecksum) / (framesBadChecksum + framesGood))
  return [
    `Frames with a wrong checksum: ${framesBadChecksum} (${share} %). Look at ground, cable and supply.`,
  ]
}

const plainYaml = /^[A-Za-z0-9/_.-][A-Za-z0-9/_.:@-]*$/
const quoted = (text: string): string =>
  plainYaml.test(text) && !/:$/.test(text) ? text : JSON.stringify(text)

/** The agent is started in another folder than this command. */
const wholePort = (port: string): string =>
  port.startsWith('file:') ? `file:${resolve(port.slice('file:'.length))}` : port

/** In the form of config/minimal.yaml; the speed only where it is not the layout's own. */
function settingsLines(
  { port, board, layout: named }: Asked,
  layout: Layout,
  baud: number | undefined,
): string {
  const lines = [
    'instruments:',
    `  - layout: ${quoted(named ?? layout.name)}`,
    `    port: ${quoted(board.stableName ?? wholePort(port))}`,
    ...(baud === undefined || baud === layout.baud ? [] : [`    baud: ${baud}`]),
  ]
  return lines.join('\n')
}
