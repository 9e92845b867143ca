import { execFile } from 'node:child_process'
import { bad, done, type FaultCode, type Outcome, type PowerSwitch } from '../terms/terms.js'
import { fitWords } from './way-words.js'

/**
 * Runs an owner's command: one that takes a sensor's supply away and gives it back, or one that helps a link. No shell: the words
 * go to the program as they stand. Killed after the limit; what it prints is thrown away but for the first line of its complaint.
 */
export function commandSwitch(
  command: readonly [string, ...string[]],
  limitSeconds: number,
  code: FaultCode = 'power-cycle-failed',
): PowerSwitch {
  const [program, ...words] = command
  const options = { timeout: limitSeconds * 1000, killSignal: 'SIGKILL', maxBuffer: 64 * 1024 } as const
  return {
    name: program,
    cycle: () =>
      new Promise<Outcome<void>>((resolve) => {
        execFile(program, words, options, (error, _out, complaint) => {
          resolve(error ? bad(code, failure(command, error, complaint, limitSeconds)) : done)
        }).stdin?.end()
      }),
  }
}

type RunError = Error & { readonly code?: string | number | null; readonly killed?: boolean }

/** A program likes to repeat what it was given, and one of the words may be a password: neither they nor addresses are told. */
function failure(
  [program, ...words]: readonly string[],
  error: RunError,
  complaint: string,
  limitSeconds: number,
): string {
  const why = error.killed
    ? `did not end within ${limitSeconds} s`
    : typeof error.code === 'number'
      ? `ended with ${error.code}`
      : (error.code ?? 'could not be run')
  const first = fitWords(complaint.trim().split('\n')[0], words).slice(0, 120)
  return `${program} ${why}${first ? `: ${first}` : ''}`
}
