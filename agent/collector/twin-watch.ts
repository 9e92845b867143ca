/**
 * Two stores of one station that grow by turns: a cloned card, or two stations of one name. A new card is no such thing: its
 * store begins where the one before it ends, and an old card put back returns once.
 */
import { addSeconds, type MonoSeconds } from '../terms/terms.js'

export interface Twins {
  readonly station: string
  readonly storeIds: readonly string[]
}

/** Stations may connect once a day. */
export const twinWindowSeconds = 72 * 3600
const returnsOfTwins = 2

interface Watched {
  /** Store that grew last. */
  last: string
  readonly stores: Set<string>
  /** When a store grew again after another one had. */
  returns: { readonly at: MonoSeconds; readonly stores: readonly [string, string] }[]
}

export class TwinWatch {
  private readonly stations = new Map<string, Watched>()

  /** A line came that is newer than all before it of this store, straight from the station. */
  grew(station: string, storeId: string, now: MonoSeconds): void {
    const watched = this.stations.get(station)
    if (!watched) {
      this.stations.set(station, { last: storeId, stores: new Set([storeId]), returns: [] })
      return
    }
    if (watched.last === storeId) return
    if (watched.stores.has(storeId))
      watched.returns = [...watched.returns, { at: now, stores: [watched.last, storeId] as const }].slice(
        -returnsOfTwins,
      )
    watched.stores.add(storeId)
    watched.last = storeId
  }

  /** Those that grew by turns lately. */
  standing(now: MonoSeconds): Twins[] {
    return [...this.stations.keys()].flatMap((station) => this.of(station, now) ?? [])
  }

  /** The same of one station: asked for each receipt. */
  of(station: string, now: MonoSeconds): Twins | undefined {
    const returns = this.stations.get(station)?.returns ?? []
    if (returns.length < returnsOfTwins) return undefined
    const recent = returns.filter(({ at }) => addSeconds(at, twinWindowSeconds) >= now)
    if (recent.length < returnsOfTwins) return undefined
    return { station, storeIds: [...new Set(recent.flatMap(({ stores }) => stores))].sort() }
  }
}

/** For people. */
export const twinWords = (all: readonly Twins[]): string =>
  all.map(({ station, storeIds }) => `${station}: stores ${storeIds.join(' and ')}`).join('; ')
