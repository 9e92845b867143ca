import type { Writable } from 'node:stream'
import { withLimit } from '../hardware/limit.js'

/** A station must end although nobody reads its log any more; what a command prints waits for its reader. */
const stationPatienceSeconds = 1

/** A reader that goes away early (`| head`) has had what it wanted: no fault, and nothing for a person to read. */
export function allowGoneReaders(): void {
  for (const stream of [process.stdout, process.stderr]) stream.on('error', () => undefined)
}

/** Ends the process with the code, when all that was printed has left it: a pipe takes 64 KiB at once, the rest later. */
export async function finish(code: Promise<number>): Promise<void> {
  const ended = await code
  await allPrinted()
  process.exit(ended)
}

/** The same for `run`: a full pipe that nobody empties holds up no stop. */
export async function finishRun(code: Promise<number>): Promise<void> {
  const ended = await code
  await withLimit(allPrinted(), stationPatienceSeconds)
  process.exit(ended)
}

const allPrinted = (): Promise<unknown> => Promise.all([hasLeft(process.stdout), hasLeft(process.stderr)])

/** Resolves also where the reader went away: the callback is then given the error. */
function hasLeft(stream: Writable): Promise<void> {
  return new Promise((resolve) => {
    if (stream.writableLength === 0 || stream.destroyed) return resolve()
    stream.write('', () => resolve())
  })
}
