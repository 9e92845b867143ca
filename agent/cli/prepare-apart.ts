import { execFile } from 'node:child_process'
import { join } from 'node:path'
import { deserialize } from 'node:v8'
import type { Plan, Preparation } from './preparation.js'
import type { Judgement, Pushed } from './settings-trial.js'

const program = join(import.meta.dirname, 'prepare-child.js')
const options = { encoding: 'buffer', timeout: 60_000, maxBuffer: 16 * 1024 * 1024 } as const

/**
 * `prepareWithPushed` in a process of its own. Checking settings takes 30 MB of code and schema that a station never needs
 * again; a small board has better use for them during the months that follow. Where no process can be had it is done here.
 */
export async function prepareApart(file: string): Promise<Preparation> {
  const serialised = await apart([file])
  if (serialised) return deserialize(serialised) as Preparation
  return (await import('./pushed-plan.js')).prepareWithPushed(file)
}

/** `prepareLastGoodWithPushed` in a process of its own. */
export async function prepareLastGoodApart(file: string): Promise<Plan | undefined> {
  const serialised = await apart([file, 'last-good'])
  if (serialised) return deserialize(serialised) as Plan | undefined
  return (await import('./pushed-plan.js')).prepareLastGoodWithPushed(file)
}

/** `judgePushed` in a process of its own, and nowhere else: what was pushed may be made to take all memory and time. */
export async function judgePushedApart(file: string, pushed: Pushed): Promise<Judgement<Plan>> {
  const serialised = await apart([file, 'pushed'], JSON.stringify(pushed))
  if (serialised) return deserialize(serialised) as Judgement<Plan>
  return { ok: false, lines: ['the settings could not be judged at the station; try again'] }
}

function apart(words: readonly string[], input = ''): Promise<Buffer | undefined> {
  return new Promise((resolve) => {
    const child = execFile(process.execPath, [program, ...words], options, (error, written) =>
      resolve(error ? undefined : written),
    )
    // A child that ends before it has read all is told by its exit.
    child.stdin?.on('error', () => undefined).end(input)
  })
}
