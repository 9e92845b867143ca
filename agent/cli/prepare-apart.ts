import { execFile } from 'node:child_process'
import { join } from 'node:path'
import { deserialize } from 'node:v8'
import type { Preparation } from './preparation.js'

const program = join(import.meta.dirname, 'prepare-child.js')
const options = { encoding: 'buffer', timeout: 60_000, maxBuffer: 16 * 1024 * 1024 } as const

/**
 * `prepare` in a process of its own. Checking settings takes 30 MB of code and schema that a station never needs again;
 * a small board has better use for them during the months that follow. Where no process can be had it is done here.
 */
export async function prepareApart(file: string): Promise<Preparation> {
  const serialised = await new Promise<Buffer | undefined>((resolve) =>
    execFile(process.execPath, [program, file], options, (error, written) =>
      resolve(error ? undefined : written),
    ),
  )
  if (serialised) return deserialize(serialised) as Preparation
  return (await import('./preparation.js')).prepare(file)
}
