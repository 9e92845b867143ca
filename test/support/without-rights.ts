import { spawn } from 'node:child_process'
import { join } from 'node:path'
import { findProgram } from './real-parts.js'

const isRoot = process.getuid?.() === 0
const setpriv = ['setpriv', '--reuid=65534', '--regid=65534', '--clear-groups']

/** What stands before a command so that it runs without root's rights; undefined where that cannot be had. */
export const withoutRights: readonly string[] | undefined = !isRoot
  ? []
  : findProgram('setpriv') === undefined
    ? undefined
    : setpriv
if (withoutRights === undefined)
  console.info('setpriv is not installed: as root, tests of missing permissions are skipped')

/** The folder of the project. */
export const root = join(import.meta.dirname, '../..')

/** A file of the built program. */
export const built = (name: string): string => join(root, 'dist/agent', name)

/** Node with these arguments, by a user who may do little. Root may read everything, so the attempt needs a process of its own. */
export async function runWithoutRights(
  args: readonly string[],
  cwd = '/',
): Promise<{ code: number | null; out: string; err: string }> {
  const [program, ...rest] = [...(withoutRights ?? []), process.execPath, ...args]
  const child = spawn(program, rest, { cwd })
  let out = ''
  let err = ''
  child.stdout.on('data', (chunk: Buffer) => (out += chunk.toString()))
  child.stderr.on('data', (chunk: Buffer) => (err += chunk.toString()))
  const code = await new Promise<number | null>((resolve) => child.once('close', resolve))
  return { code, out, err }
}
