import { readFile, writeFile } from 'node:fs/promises'
import { bad, done, good, type Outcome } from '../terms/terms.js'
import { commandSwitch } from './power-switch.js'

/** What gives the board its power again. Faults: wake-unproven. */
export interface WakePath {
  readonly name: string
  /** As the settings have it: a proof is one of this path and no other. */
  readonly declared: Readonly<Record<string, unknown>>
  wakeIn(seconds: number): Promise<Outcome<void>>
  /** What can be seen without ending the board. */
  look(): Promise<Outcome<string>>
}

const lookSeconds = 3600

/**
 * The alarm of a clock of the kernel (documents of the rtc class, 6.1: seconds since 1970; 0 clears).
 * @param utcNow milliseconds since 1970 by the clock of the board, which its alarm goes by
 */
export function rtcAlarm(file: string, utcNow: () => number): WakePath {
  const clear = (): Promise<void> => writeFile(file, '0')
  const wakeIn = async (seconds: number): Promise<Outcome<void>> => {
    const wanted = Math.round(utcNow() / 1000 + seconds)
    try {
      // The kernel refuses a second alarm before the first is cleared.
      await clear()
      await writeFile(file, String(wanted))
      const stands = (await readFile(file, 'utf8')).trim()
      return stands === String(wanted) ? done : bad('wake-unproven', `${file} reads '${stands}'`)
    } catch (error) {
      return bad('wake-unproven', `${file}: ${(error as NodeJS.ErrnoException).code ?? 'cannot be written'}`)
    }
  }
  const look = async (): Promise<Outcome<string>> => {
    const set = await wakeIn(lookSeconds)
    await clear().catch(() => undefined)
    return set.ok ? good('the clock took an alarm and gave it back') : set
  }
  return { name: file, declared: { wake_alarm: file }, wakeIn, look }
}

/** An owner's program that has an external switch give the supply again; the seconds until then are its last word. */
export function wakeSwitch(words: readonly string[], limitSeconds: number): WakePath {
  const [program, ...more] = words
  return {
    name: program,
    declared: { wake_switch: words },
    wakeIn: (seconds) =>
      commandSwitch([program, ...more, String(Math.round(seconds))], limitSeconds, 'wake-unproven').cycle(),
    look: () => Promise.resolve(good('it is not asked without need')),
  }
}
