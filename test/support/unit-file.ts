/** How the unit file starts Node: its bounds of memory are part of what is tested. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'

const unitFile = readFileSync(join(import.meta.dirname, '../../systemd/motepost.service'), 'utf8')

export const nodeFlags: readonly string[] = /^ExecStart=\S+ ((?:--\S+ )*)/m
  .exec(unitFile)![1]
  .trim()
  .split(' ')

export const unitEnvironment: Readonly<Record<string, string>> = Object.fromEntries(
  [...unitFile.matchAll(/^Environment=(\w+)=(\S+)$/gm)].map(([, name, value]) => [name, value]),
)
