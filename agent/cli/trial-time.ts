/** For how long settings from afar are on trial: two windows of the link that they make are inside, whenever it begins. */
import { hasRests, isOnByHours, type ModemRhythm } from '../power/power.js'
import type { Settings } from '../settings/settings.js'

const shortestMinutes = 120
/** A command holds no longer than this, so nobody could confirm. */
export const longestTrialDays = 7
/** What is left of a window after its hours have cut it is one from here on. */
const usefulMinutes = 5
const dayMinutes = 1440

/** Undefined: two windows may be further apart than the longest trial, or there are none. */
export function trialSeconds({ uplink, power }: Pick<Settings, 'uplink' | 'power'>): number | undefined {
  const waits = power?.modem ? longestWaits(power.modem) : { one: 0, two: 0 }
  if (!waits) return undefined
  const packMinutes = uplink.mode === 'none' ? 0 : uplink.packEveryMinutes
  // Where each pack connects anew, one that is due waits for the next window.
  const isKept = uplink.mode === 'none' || uplink.connection === 'kept'
  const linkMinutes = isKept ? Math.max(2 * packMinutes, waits.two) : 2 * (packMinutes + waits.one)
  const minutes = Math.max(shortestMinutes, linkMinutes)
  return minutes > longestTrialDays * dayMinutes ? undefined : minutes * 60
}

interface Window {
  readonly from: number
  readonly to: number
}

/** Minutes from the beginning of a window that has just been missed to the end of the next one, and of the one after it. */
function longestWaits(modem: ModemRhythm): { readonly one: number; readonly two: number } | undefined {
  if (!hasRests(modem)) return { one: 0, two: 0 }
  const windows = windowsOf(modem)
  if (windows.length < 3) return undefined
  const longest = (further: number): number =>
    Math.max(...windows.slice(0, -further).map(({ from }, i) => windows[i + further].to - from))
  return { one: longest(1), two: longest(2) }
}

/** Over three turns of rhythm and day together: at most three times 1,440 days of minutes. */
function windowsOf(modem: ModemRhythm): Window[] {
  const turn = (dayMinutes * modem.everyMinutes) / commonDivisor(dayMinutes, modem.everyMinutes)
  const windows: Window[] = []
  let from: number | undefined
  for (let minute = 0; minute <= 3 * turn; minute++) {
    if (isOnByHours(modem, minute)) from ??= minute
    else if (from !== undefined) {
      if (minute - from >= Math.min(usefulMinutes, modem.onMinutes)) windows.push({ from, to: minute })
      from = undefined
    }
  }
  return windows
}

const commonDivisor = (a: number, b: number): number => (b === 0 ? a : commonDivisor(b, a % b))
