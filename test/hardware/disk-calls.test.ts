import { execFileSync } from 'node:child_process'
import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, it, onTestFinished } from 'vitest'
import { describeWith } from '../support/real-parts.js'
import { transpiled } from '../support/transpiled.js'

const writer = join(import.meta.dirname, 'traced-writer.mjs')
const parts = ['terms', 'store', 'simulation/memory-disk.ts', 'simulation/memory-file.ts']
const hardware = ['hardware/disk.ts', 'hardware/mounted.ts', 'hardware/state-file.ts']
const calls =
  'openat,write,pwrite64,writev,fdatasync,fsync,rename,renameat,renameat2,unlink,unlinkat,truncate,ftruncate'

/** What strace saw of a folder, in the words of the Disk port. */
function operationsIn(trace: string, folder: string): string[] {
  const operations: string[] = []
  for (const line of trace.split('\n')) {
    const [, call, rest] = /^\d+ +(\w+)\((.*)$/.exec(line) ?? []
    if (call === undefined || !rest.includes(folder)) continue
    const paths = [...rest.matchAll(/[<"]([^<>"]*)[>"]/g)]
      .map((m) => m[1])
      .filter((path) => path.startsWith(folder))
    const names = paths.map((path) => path.slice(folder.length + 1))
    const operation = operationOf(call, names, rest)
    if (operation !== undefined) operations.push(operation)
  }
  return operations
}

function operationOf(call: string, [name, to]: string[], rest: string): string | undefined {
  if (/^(p?write)/.test(call)) return `append ${name}`
  if (call === 'fdatasync') return `datasync ${name}`
  if (call === 'fsync') return `syncFolder ${name}`
  if (call.startsWith('rename')) return `rename ${name} ${to}`
  if (call.startsWith('unlink')) return `remove ${name}`
  if (call.endsWith('truncate')) return `truncate ${name}`
  return rest.includes('O_CREAT') ? `open ${name}` : undefined
}

describeWith(['strace'], 'the calls that the real disk makes, as strace sees them', () => {
  it('are those of the disk in memory, in the same order, each file opened for appending before', () => {
    const place = mkdtempSync(join(tmpdir(), 'motepost-trace-'))
    onTestFinished(() => rmSync(place, { recursive: true }))
    const agent = transpiled(join(place, 'agent'), [...parts, ...hardware])
    const folder = join(place, 'data')
    const run = (...command: string[]): string[] =>
      JSON.parse(execFileSync(command[0], command.slice(1), { encoding: 'utf8' })) as string[]
    const modelled = run(process.execPath, writer, agent, 'memory')
    const trace = join(place, 'trace')
    const tracing = ['strace', '-f', '-y', '-s', '0', '-e', `trace=${calls}`, '-o', trace]
    const asked = run(...tracing, process.execPath, writer, agent, folder)
    expect(asked).toEqual(modelled)
    expect(modelled).toContain('remove lines-000000000001.csv')
    expect(modelled).toContain('rename state.json.tmp state.json')
    const seen = operationsIn(readFileSync(trace, 'utf8'), folder)
    expect(seen.filter((operation) => !operation.startsWith('open '))).toEqual(modelled)
    const appends = seen.filter((operation) => operation.startsWith('append '))
    expect(appends.length).toBeGreaterThan(10)
    for (const [i, operation] of seen.entries())
      if (operation.startsWith('append ')) {
        const opened = seen.slice(0, i).lastIndexOf(operation.replace('append', 'open'))
        expect(opened, operation).toBeGreaterThanOrEqual(0)
      }
    console.info(`${modelled.length} operations in the modelled order`)
  }, 60_000)
})
