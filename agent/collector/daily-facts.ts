import { troublesOf } from '../delivery/delivery.js'
import type { FaultCode } from '../terms/terms.js'
import { standingStates } from './standing.js'
import type { Judged } from './watch.js'

/** What a daily line has room for, of each state. */
const mostNames = 3

/** What the daily line of a collector says: how many stations are well, the names of others, and its own troubles. */
export function groupFacts(
  judged: readonly Judged[],
  faults: readonly { readonly code: FaultCode }[],
): Readonly<Record<string, string>> {
  const named = (state: string): string[] =>
    judged.filter(({ judgement }) => judgement.state === state).map(({ seen }) => seen.station)
  const others = standingStates.flatMap((state) => {
    const names = state === 'well' ? [] : named(state)
    return names.length === 0 ? [] : `${state}: ${namesText(names)}`
  })
  const count = `${judged.length} ${judged.length === 1 ? 'station' : 'stations'}`
  return {
    ...(judged.length > 0 ? { stations: `${count}, ${named('well').length} well` } : {}),
    ...(others.length > 0 ? { not_well: others.join('; ') } : {}),
    ...troublesOf(faults),
  }
}

const namesText = (names: readonly string[]): string =>
  names.length > mostNames
    ? `${names.slice(0, mostNames).join(', ')} and ${names.length - mostNames} more`
    : names.join(', ')
