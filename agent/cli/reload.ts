import type { SystemClock } from '../hardware/clock.js'
import type { Station } from '../station/station.js'
import type { Preparation } from './preparation.js'
import { prepareApart } from './prepare-apart.js'
import { watchFiles } from './watch-files.js'

export interface Reloading {
  readonly file: string
  /** What the station runs on, and what is wrong with the file where that is something else. */
  readonly preparation: Preparation
  readonly station: Station
  readonly clock: SystemClock
  /** Lines for people. */
  readonly tell: (lines: readonly string[]) => void
  /** The file says something else than what runs, and is well. */
  readonly onChanged: () => void
}

/**
 * Looks at the settings again whenever the file or a layout that it names has changed, and at once at SIGHUP. What is wrong
 * is told and stands as a fault, and the station goes on with what it has.
 * @returns ends it
 */
export function reloadWhenChanged(reloading: Reloading): () => void {
  const { file, preparation, station, clock, tell, onChanged } = reloading
  let over = false
  let stopWatching: () => void = () => undefined
  const watch = ({ files, stamp }: Preparation): void => {
    stopWatching()
    stopWatching = watchFiles(files, stamp, () => void look())
  }
  const look = async (): Promise<void> => {
    const found = await prepareApart(file)
    if (over) return
    watch(found)
    if (found.wrong.length > 0) {
      tell(found.wrong)
      blame(station, clock, found.wrong[0])
    } else if (preparation.wrong.length > 0 || !isSame(found, preparation)) onChanged()
    else station.faults.clear('settings', 'settings-invalid')
  }
  const asked = (): void => void look()
  watch(preparation)
  process.on('SIGHUP', asked)
  return () => {
    over = true
    stopWatching()
    process.off('SIGHUP', asked)
  }
}

const isSame = (a: Preparation, b: Preparation): boolean => planText(a) === planText(b)

/** A pattern alone would be written as nothing. */
const planText = ({ plan }: Preparation): string =>
  JSON.stringify([plan?.text, plan?.layouts, plan?.gaugeLayouts], (_, value: unknown) =>
    value instanceof RegExp ? value.source : value,
  )

/**
 * The fault travels to a broker and into archives: of a fault in the file it has the place and the key, and not what a person typed
 * there. That is told beside the station, by this program and by `motepost check`.
 */
export function blame(station: Station, clock: SystemClock, words: string): void {
  const detail =
    /^(.*?:\d+:\d+)(?: ([a-z0-9_.[\]]*))?: /.exec(words)?.slice(1).filter(Boolean).join(' ') ?? words
  station.faults.raise('settings', { code: 'settings-invalid', detail }, clock.mono())
}
