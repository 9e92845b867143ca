import { existsSync, readFileSync } from 'node:fs'
import { dirname, join } from 'node:path'

/** The folder that holds package.json and config/, wherever this file was built to. */
export const packageRoot: string = findRoot(import.meta.dirname)

function findRoot(folder: string): string {
  if (existsSync(join(folder, 'package.json')) || dirname(folder) === folder) return folder
  return findRoot(dirname(folder))
}

export const version = (
  JSON.parse(readFileSync(join(packageRoot, 'package.json'), 'utf8')) as { version: string }
).version
