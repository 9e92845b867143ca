import { statSync } from 'node:fs'

const lookEverySeconds = 10
/** An editor or a slow copy writes a file in pieces: it is read when it has been still for so long. */
const stillSeconds = 5

/**
 * Calls `changed` when one of some files has become another one (written anew, replaced or made) and been still since. It is
 * polled by name: a watch of the system goes quiet after a rename, and shows a file that is half written.
 * @param seen what the files were when they were read last
 * @returns ends it
 */
export function watchFiles(files: readonly string[], seen: string, changed: () => void): () => void {
  let timer: NodeJS.Timeout
  let before = seen
  const look = (): void => {
    const now = stampOf(files)
    const isStill = now === before
    before = now
    if (isStill && now !== seen) {
      seen = now
      changed()
    }
    timer = setTimeout(look, (now === seen ? lookEverySeconds : stillSeconds) * 1000)
  }
  timer = setTimeout(look, lookEverySeconds * 1000)
  return () => clearTimeout(timer)
}

/** Tells one state of some files from another. */
export const stampOf = (files: readonly string[]): string =>
  files.map((file) => `${stampOfOne(file)}\n`).join('')

function stampOfOne(file: string): string {
  try {
    const { ino, size, mtimeMs, ctimeMs } = statSync(file)
    return `${ino} ${size} ${mtimeMs} ${ctimeMs}`
  } catch {
    return 'cannot be read'
  }
}
