import { done, good, type EventLine, type StateFile } from '../../agent/terms/terms.js'
import type { Rig } from './station-rig.js'

const alertLines = async (rig: Rig): Promise<EventLine[]> =>
  (await rig.lines()).filter((line): line is EventLine => line.kind === 'event' && line.name === 'alert')

/** What the lines of a store say of a rule, in order. */
export async function toldOf(rig: Rig, rule: string): Promise<Record<string, string>[]> {
  const lines = await alertLines(rig)
  return lines.map(({ details }) => ({ ...details })).filter((details) => details.rule === rule)
}

/** 'raised' and 'normal' in turns. */
export const statesOf = async (rig: Rig, rule: string): Promise<(string | undefined)[]> =>
  (await toldOf(rig, rule)).map(({ state }) => state)

/** Every rule that any line names. */
export const rulesTold = async (rig: Rig): Promise<string[]> => [
  ...new Set((await alertLines(rig)).map(({ details }) => details.rule)),
]

/** A checkpoint in memory, which a test may change between two runs. */
export interface KeptState extends StateFile {
  value: Record<string, unknown> | undefined
}

export function keptState(): KeptState {
  const kept: KeptState = {
    value: undefined,
    load: () => Promise.resolve(good(kept.value)),
    save: (value) => {
      kept.value = structuredClone(value) as Record<string, unknown>
      return Promise.resolve(done)
    },
  }
  return kept
}
