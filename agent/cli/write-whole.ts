import { closeSync, fsyncSync, mkdirSync, openSync, renameSync, rmSync, writeSync } from 'node:fs'
import { dirname } from 'node:path'

/** A file that a power cut leaves as it was or as it will be; a folder that is missing is made for its owner only. */
export function writeWhole(path: string, text: string, mode = 0o600): void {
  mkdirSync(dirname(path), { recursive: true, mode: 0o700 })
  const temporary = `${path}.tmp`
  rmSync(temporary, { force: true })
  const file = openSync(temporary, 'wx', mode)
  try {
    writeSync(file, text)
    fsyncSync(file)
  } finally {
    closeSync(file)
  }
  renameSync(temporary, path)
}
