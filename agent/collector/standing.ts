/** How a station stands: one word, and why. */

/** Worst first. */
export const standingStates = ['silent', 'trouble', 'suspect', 'late', 'well'] as const
export type StandingState = (typeof standingStates)[number]

/** Told apart without colour. */
export const standingShapes: Readonly<Record<StandingState, string>> = {
  well: '●',
  late: '◐',
  silent: '○',
  suspect: '◇',
  trouble: '▲',
}

export interface Reason {
  /** late, silent, …, or the name of a trouble rule. */
  readonly code: string
  /** What this alone would make of the station. */
  readonly state: Exclude<StandingState, 'well'>
  readonly words: string
  readonly firstThing: string
  /** UTC text. */
  readonly since?: string
  /** The station cannot tell it itself: people are told from here. */
  readonly tell?: 'normal' | 'high'
}

export interface Judgement {
  readonly state: StandingState
  /** Worst first. */
  readonly reasons: readonly Reason[]
}

const rankOf = (state: StandingState): number => standingStates.indexOf(state)

/** One reason a code: the first of the worst. */
export function judgementOf(all: readonly Reason[]): Judgement {
  const sorted = [...all].sort((a, b) => rankOf(a.state) - rankOf(b.state))
  const reasons = sorted.filter(({ code }, i) => sorted.findIndex((one) => one.code === code) === i)
  return { state: reasons[0]?.state ?? 'well', reasons }
}
