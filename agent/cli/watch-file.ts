import { statSync } from 'node:fs'

const lookEverySeconds = 10

/**
 * Calls `changed` when a file has become another one: written anew, replaced or made. Used while a station runs on the
 * settings that last worked, so that nobody has to travel to it once the file is mended.
 * @param seen what the file was when it was read last
 */
export function watchFile(
  file: string,
  seen: string,
  changed: () => void,
  everySeconds = lookEverySeconds,
): () => void {
  const timer = setInterval(() => {
    const now = stampOf(file)
    if (now === seen) return
    seen = now
    changed()
  }, everySeconds * 1000)
  return () => clearInterval(timer)
}

/** Tells one state of a file from another. */
export function stampOf(file: string): string {
  try {
    const { ino, size, mtimeMs, ctimeMs } = statSync(file)
    return `${ino} ${size} ${mtimeMs} ${ctimeMs}`
  } catch {
    return 'cannot be read'
  }
}
