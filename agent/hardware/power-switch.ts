import { execFile } from 'node:child_process'
import { bad, done, type Outcome, type PowerSwitch } from '../terms/terms.js'

/**
 * Runs the owner's command that takes a sensor's supply away and gives it back. No shell: the words go to the program as
 * they stand. Killed after the limit; what it prints is thrown away but for the first line of its complaint.
 */
export function commandSwitch(command: readonly [string, ...string[]], limitSeconds: number): PowerSwitch {
  const [program, ...words] = command
  const options = { timeout: limitSeconds * 1000, killSignal: 'SIGKILL', maxBuffer: 64 * 1024 } as const
  return {
    name: program,
    cycle: () =>
      new Promise<Outcome<void>>((resolve) => {
        execFile(program, words, options, (error, _out, complaint) => {
          resolve(error ? failed(program, error, complaint, limitSeconds) : done)
        }).stdin?.end()
      }),
  }
}

type RunError = Error & { readonly code?: string | number | null; readonly killed?: boolean }

function failed(program: string, error: RunError, complaint: string, limitSeconds: number): Outcome<void> {
  const why = error.killed
    ? `did not end within ${limitSeconds} s`
    : typeof error.code === 'number'
      ? `ended with ${error.code}`
      : (error.code ?? 'could not be run')
  const first = complaint.trim().split('\n')[0].slice(0, 120)
  return bad('power-cycle-failed', `${program} ${why}${first ? `: ${first}` : ''}`)
}
