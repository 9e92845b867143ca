import type { TimeAnswer } from '../station/station.js'
import { isDay, utcMillis, utcText, type UtcMillis } from '../terms/terms.js'
import { readLocalTime } from './local-time.js'
import { askStation, reachStation, refusalText, type Reached } from './reach-station.js'

export interface SetClockOptions {
  readonly setClock: string
  readonly clockError?: number
  readonly confirm?: boolean
  readonly json?: boolean
}

/** A laptop or phone that has a network is right within seconds, the way here included (common practice, no source). */
const secondsGivenErrorSeconds = 10
/** A watch read to the minute. */
const minutesGivenErrorSeconds = 60

/** The laptop puts its own time in; the board's would say nothing new. */
export const setClockHint = 'ssh STATION motepost status --set-clock "$(date -u +%FT%TZ)"'

export type OfferedTime =
  | { readonly ok: true; readonly utc: UtcMillis; readonly errorSeconds: number }
  | { readonly ok: false; readonly words: string }

const fullShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,3})?)?(Z|[+-]\d\d:\d\d)$/
const localShape = /^\d{4}-\d\d-\d\d[T ]\d\d:\d\d$/

/** '2026-03-01T08:30:05Z', with an offset, or '2026-03-01 08:30' by the clocks of the place. */
export function readOffered(text: string, place: Reached['place'], errorSeconds?: number): OfferedTime {
  const m = fullShape.exec(text)
  const full = m && isDay(text.slice(0, 10)) ? Date.parse(text) : NaN
  if (!Number.isNaN(full))
    return {
      ok: true,
      utc: utcMillis(full),
      errorSeconds:
        errorSeconds ?? (m![1] === undefined ? minutesGivenErrorSeconds : secondsGivenErrorSeconds),
    }
  const local = localShape.test(text) ? readLocalTime(text, place, utcMillis(0)) : undefined
  if (local && !local.ok) return local
  const utc = local && local.text !== text ? Date.parse(local.text) : NaN
  if (Number.isNaN(utc))
    return {
      ok: false,
      words: `--set-clock ${text}: expected a whole time such as 2026-03-01T08:30:00Z or '2026-03-01 08:30' (local time of the place). From a laptop: ${setClockHint}`,
    }
  return { ok: true, utc: utcMillis(utc), errorSeconds: errorSeconds ?? minutesGivenErrorSeconds }
}

/**
 * Offers a time to the running station. It never sets the clock of the board.
 * @returns exit code: 0 taken, 1 refused or no station answers, 2 wrong use
 */
export async function setClock(file: string, options: SetClockOptions): Promise<number> {
  const reached = reachStation(file)
  if (!reached) return 2
  const offered = readOffered(options.setClock, reached.place, options.clockError)
  if (!offered.ok) {
    process.stderr.write(offered.words + '\n')
    return 2
  }
  const { utc, errorSeconds } = offered
  const request = {
    do: 'set-clock',
    utc: new Date(utc).toISOString(),
    error_s: errorSeconds,
    confirm: options.confirm ?? false,
  }
  const asked = await askStation(reached.settings, request)
  const refused = refusalText(asked)
  if (options.json)
    process.stdout.write(JSON.stringify(asked.ok ? asked.value : { ok: false, words: refused }) + '\n')
  else if (refused !== undefined) process.stderr.write(`not taken: ${refused}\n`)
  else {
    const { words } = (asked as { value: TimeAnswer }).value
    process.stdout.write(`${utcText(utc)} within ${errorSeconds} s: ${words}\n`)
  }
  return refused === undefined ? 0 : 1
}
