import { spawnSync } from 'node:child_process'
import { describe } from 'vitest'

/** Where a program is, or undefined. /usr/sbin is not in everybody's path. */
export function findProgram(name: string): string | undefined {
  const env = { ...process.env, PATH: `${process.env.PATH ?? ''}:/usr/sbin:/sbin` }
  const found = spawnSync('sh', ['-c', `command -v ${name}`], { env, encoding: 'utf8' })
  return found.status === 0 ? found.stdout.trim() : undefined
}

/**
 * A suite that needs real programs. Where one is missing it is skipped with a line that says which and how to get it;
 * in CI nothing may be skipped, so there it runs and fails.
 */
export function describeWith(programs: readonly string[], title: string, body: () => void): void {
  const missing = programs.filter((name) => findProgram(name) === undefined)
  if (missing.length === 0 || process.env.CI) {
    describe(title, body)
    return
  }
  console.warn(
    `skipped: '${title}' needs ${missing.join(', ')} (Debian: apt-get install ${missing.join(' ')})`,
  )
  describe.skip(`${title} (needs ${missing.join(', ')})`, body)
}
