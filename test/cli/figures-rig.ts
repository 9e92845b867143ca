/** A store of made minutes with whatever channels a test wants, and the commands it prints run again. */
import { expect } from 'vitest'
import { averages, type AveragesOptions } from '../../agent/cli/averages.js'
import { episodes, type EpisodesOptions } from '../../agent/cli/episodes.js'
import type { FigureSource } from '../../agent/cli/explain-source.js'
import { explainJson } from '../../agent/cli/explain-words.js'
import { explain, explainFigure, type ExplainOptions } from '../../agent/cli/explain.js'
import { openFolder } from '../../agent/hardware/disk.js'
import { openStore } from '../../agent/store/store.js'
import {
  columnSet,
  kindOf,
  monoSeconds,
  utcMillis,
  type Basis,
  type Column,
} from '../../agent/terms/terms.js'
import { boot, newFolder, ran, storeId, value, type Make } from './desk-rig.js'

export interface MadeMinute {
  /** By channel; NaN: nothing was used. */
  readonly values: Readonly<Record<string, number>>
  readonly marked?: Readonly<Record<string, number>>
}

export interface MadeStore {
  readonly channels: readonly string[]
  readonly inferred?: readonly string[]
  readonly from: number
  readonly minutes: number
  /** Undefined: no record of that minute. */
  readonly at: (minute: number) => MadeMinute | undefined
  /** Lines before the minutes. */
  readonly before?: readonly Make[]
}

const columnsOf = ({ channels, inferred = [] }: MadeStore): Column[] =>
  channels.flatMap((channel): Column[] => {
    const { unit, decimals } = kindOf(channel)!
    const basis: Basis = inferred.includes(channel) ? 'inferred' : 'measured'
    return [
      { channel, statistic: 'mean', unit, decimals, basis },
      { channel, statistic: 'used', unit: 's', decimals: 1, basis },
    ]
  })

/** @returns its folder */
export async function madeStore(made: MadeStore): Promise<string> {
  const folder = newFolder()
  const disk = value(await openFolder(folder, { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => storeId, station: 'hill' }))
  for (const line of made.before ?? []) store.append(line)
  const set = columnSet(columnsOf(made))
  let waiting = 0
  for (let i = 0; i < made.minutes; i++) {
    const minute = made.at(i)
    if (!minute) continue
    const values = made.channels.flatMap((channel) => {
      const mean = minute.values[channel] ?? NaN
      return [mean, Number.isNaN(mean) ? 0 : 60]
    })
    const utc = made.from + i * 60_000
    const place = { boot, mono: monoSeconds(i * 60 + 100_000), seconds: 60, planned: 60, utc: utcMillis(utc) }
    const reasons = { excluded: {}, marked: minute.marked ?? {} }
    store.append((seq) => ({ kind: 'record', seq, set: set.id, ...place, values, ...reasons }), set)
    if (++waiting % 1000 === 0) value(await store.flush())
  }
  value(await store.flush())
  await disk.close()
  return folder
}

export async function averagesText(store: string, options: AveragesOptions = {}): Promise<string> {
  return (await ran(() => averages({ store, ...options }))).out
}

export async function averagesJson<T = AveragesTold>(
  store: string,
  options: AveragesOptions = {},
): Promise<T> {
  return JSON.parse((await ran(() => averages({ store, json: true, ...options }))).out) as T
}

export interface Verdict {
  readonly limit: string
  readonly value: number | null
  readonly arithmetic: string | null
  readonly verdict: string
  readonly method?: string
  readonly words: readonly [string, string]
  readonly is_corrected: boolean
}

export interface AveragesTold {
  readonly series: readonly {
    readonly channel: string
    readonly basis: string
    readonly serial: string | null
    readonly correction: string | null
    readonly uncertainty: { source: string; percent: number; ug_m3: number }
    readonly limits: readonly { id: string; document: string; clause: string }[]
    readonly periods: readonly Record<string, unknown>[]
    readonly years?: readonly Record<string, unknown>[]
    readonly hours_of_day?: readonly { hour: number; counting: number; data_capture_percent: number | null }[]
    readonly days: readonly (Record<string, unknown> & { day: string; verdicts: readonly Verdict[] })[]
  }[]
}

export async function episodesText(store: string, options: EpisodesOptions = {}): Promise<string> {
  return (await ran(() => episodes({ store, ...options }))).out
}

export async function explained(figure: string, when: string[], options: ExplainOptions): Promise<string> {
  const { out, err, code } = await ran(() => explain(figure, when, options))
  expect(err).toBe('')
  expect(code).toBe(0)
  return out
}

export interface Explanation {
  readonly figures: readonly {
    readonly figure: string
    readonly facts: Readonly<Record<string, unknown>>
    readonly rows: readonly (readonly string[])[]
    readonly steps: readonly string[]
    readonly next: readonly string[]
  }[]
}

/** The words of a command as a shell would part them. */
export const shellWords = (command: string): string[] =>
  [...command.matchAll(/'((?:[^']|'\\'')*)'|(\S+)/g)].map(([, quoted, bare]) =>
    quoted === undefined ? bare : quoted.replaceAll("'\\''", "'"),
  )

const camel = (name: string): string => name.replace(/-(.)/g, (_, letter: string) => letter.toUpperCase())

/** Runs a `motepost explain …` that was printed: as the command does, or from a store that is read once for many. */
export async function rerun(command: string, source?: FigureSource): Promise<Explanation> {
  const [program, name, figure, ...rest] = shellWords(command)
  expect([program, name]).toEqual(['motepost', 'explain'])
  const at = rest.findIndex((word) => word.startsWith('--'))
  const when = at < 0 ? rest : rest.slice(0, at)
  const options: Record<string, unknown> = {}
  for (let i = at; i >= 0 && i < rest.length; i += 2) {
    const key = camel(rest[i].slice(2))
    options[key] = key === 'correction' ? [...((options[key] as string[]) ?? []), rest[i + 1]] : rest[i + 1]
  }
  if (!source) return JSON.parse(await explained(figure, when, { ...options, json: true })) as Explanation
  const found = await explainFigure(figure, when, options, source)
  if (!found.ok) throw new Error(`${command}: ${found.words}`)
  return JSON.parse(explainJson(found.value.asked, found.value.all)) as Explanation
}

/** 'what number: motepost explain …' lines of a text. */
export const explainLines = (text: string): { number: string; command: string }[] =>
  [...text.matchAll(/(?:^|\s)(-?[\d.]+): (motepost explain .*)$/gm)].map(([, number, command]) => ({
    number,
    command,
  }))
