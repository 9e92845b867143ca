/** How a figure is named so that `explain` finds it again, and the command that says so. */
import type { AveragesOptions } from './averages.js'
import { standardText, type DeskZone } from './desk-zone.js'
import { utcOf } from './averages.js'
import type { FigureKind } from './figure-kinds.js'
import type { Series } from './desk-series.js'
import type { StandardMillis } from '../averages/averages.js'

/** Figures that stand beside limits, or have an index. */
const besideLimits: readonly FigureKind[] = ['nowcast', 'day', 'year']

type Where = Pick<
  AveragesOptions,
  'store' | 'storeId' | 'settings' | 'zone' | 'limits' | 'ownLimits' | 'correction'
>

/** A word as a shell takes it. */
export const shellWord = (word: string): string =>
  /^[A-Za-z0-9_./:@%+=,-]+$/.test(word) ? word : `'${word.replaceAll("'", `'\\''`)}'`

/** `motepost explain day 2026-03-01 --channel pm2_5 …`: the words of one figure and where it was made from. */
export function explainCommand(
  kind: FigureKind,
  when: readonly string[],
  series: Series | undefined,
  where: Where,
): string {
  const options: [string, string | undefined][] = [
    ['--channel', series?.column.channel],
    ['--unit', series?.unit?.serial],
    ['--store', where.store],
    ['--store-id', where.storeId],
    ['--settings', where.settings],
    ['--zone', where.zone],
    ...(besideLimits.includes(kind)
      ? ([
          ['--limits', where.limits],
          ['--own-limits', where.ownLimits],
        ] as [string, string | undefined][])
      : []),
    ...(where.correction ?? []).map((file): [string, string] => ['--correction', file]),
  ]
  const given = options.flatMap(([name, value]) => (value === undefined ? [] : [name, value]))
  return ['motepost', 'explain', kind, ...when, ...given].map(shellWord).join(' ')
}

/** The same for lines of a store. */
export const traceCommand = (seq: number | string, { store, storeId, settings, zone }: Where): string => {
  const options: [string, string | undefined][] = [
    ['--store', store],
    ['--store-id', storeId],
    ['--settings', settings],
    ['--zone', zone],
  ]
  const given = options.flatMap(([name, value]) => (value === undefined ? [] : [name, value]))
  return ['motepost', 'trace', String(seq), ...given].map(shellWord).join(' ')
}

export const whenText = (at: StandardMillis, zone: DeskZone): string => standardText(utcOf(at, zone), zone)
