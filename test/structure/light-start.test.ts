/** Every command, `run` on a small board above all, pays for what the program's first file pulls in: words of commands, no work. */
import { existsSync, readFileSync } from 'node:fs'
import { dirname, join, relative } from 'node:path'
import { expect, it } from 'vitest'

const root = join(import.meta.dirname, '../..')

/** What a file has loaded before its first line runs: neither types nor what is imported when it is wanted. */
function loadedBy(file: string): string[] {
  const text = readFileSync(join(root, file), 'utf8')
  const found = text.matchAll(/^(?:import|export) (?!type\b)(?:[^;'"]*?from )?'([^']+)'/gm)
  return [...found].map(([, from]) =>
    from.startsWith('.') ? relative(root, join(root, dirname(file), from.replace(/\.js$/, '.ts'))) : from,
  )
}

function everythingBehind(start: string): Set<string> {
  const seen = new Set([start])
  for (const one of seen) if (existsSync(join(root, one))) for (const next of loadedBy(one)) seen.add(next)
  return seen
}

it('the start of every command loads the words of all commands and the work of none', () => {
  const loaded = [...everythingBehind('agent/cli/main.ts')].filter((one) => !one.startsWith('node:'))
  expect(loaded).toContain('agent/cli/site-commands.ts')
  const words =
    /^agent\/cli\/(main|stations|finish|figure-kinds|package-root|prepare-apart|[a-z]+-command|[a-z]+-commands)\.ts$/
  expect(loaded.filter((one) => !words.test(one)).sort()).toEqual(['agent/hardware/limit.ts', 'commander'])
})

it('a running station loads nothing that reads settings: it has them from a process that has ended', () => {
  const loaded = [...everythingBehind('agent/cli/run.ts')].filter((one) => !one.startsWith('node:'))
  expect(loaded).toContain('agent/station/station.ts')
  // What else a station may need is imported when it is: the MQTT client, mail, Modbus.
  expect(loaded.filter((one) => !one.startsWith('agent/')).sort()).toEqual([
    'cborg',
    'lowdb',
    'node-cron',
    'pino',
    'serialport',
  ])
  expect(
    loaded.filter((one) => /^agent\/(settings|limits|simulation|collector|analysis)\//.test(one)),
  ).toEqual([])
})
