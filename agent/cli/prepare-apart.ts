import { execFile } from 'node:child_process'
import { join } from 'node:path'
import { deserialize } from 'node:v8'
import type { Plan, Preparation } from './preparation.js'

const program = join(import.meta.dirname, 'prepare-child.js')
const options = { encoding: 'buffer', timeout: 60_000, maxBuffer: 16 * 1024 * 1024 } as const

/**
 * `prepare` in a process of its own. Checking settings takes 30 MB of code and schema that a station never needs again;
 * a small board has better use for them during the months that follow. Where no process can be had it is done here.
 */
export async function prepareApart(file: string): Promise<Preparation> {
  const serialised = await apart(file)
  if (serialised) return deserialize(serialised) as Preparation
  return (await import('./preparation.js')).prepare(file)
}

/** `prepareLastGood` in a process of its own. */
export async function prepareLastGoodApart(file: string): Promise<Plan | undefined> {
  const serialised = await apart(file, 'last-good')
  if (serialised) return deserialize(serialised) as Plan | undefined
  return (await import('./preparation.js')).prepareLastGood(file)
}

function apart(...words: string[]): Promise<Buffer | undefined> {
  return new Promise((resolve) =>
    execFile(process.execPath, [program, ...words], options, (error, written) =>
      resolve(error ? undefined : written),
    ),
  )
}
