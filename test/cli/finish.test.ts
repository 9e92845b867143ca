import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { transpiled } from '../support/transpiled.js'

vi.setConfig({ testTimeout: 60_000 })

/** More than a pipe and a socket hold together. */
const printed = 3_000_000
const folder = transpiled(mkdtempSync(join(tmpdir(), 'motepost-finish-')), [
  'cli/finish.ts',
  'hardware/limit.ts',
])
afterAll(() => rmSync(folder, { recursive: true }))

/** A command that prints much, says so on the other stream, and ends with 1. */
async function printing(
  end: 'finish' | 'finishRun',
): Promise<{ child: ChildProcess; exit: Promise<unknown> }> {
  const file = join(folder, `${end}.mjs`)
  writeFileSync(
    file,
    `import { allowGoneReaders, ${end} } from './cli/finish.js'
allowGoneReaders()
process.stdout.write('x'.repeat(${printed}))
process.stderr.write('printed')
await ${end}(Promise.resolve(1))`,
  )
  const child = spawn(process.execPath, [file], { stdio: ['ignore', 'pipe', 'pipe'] })
  const exit = once(child, 'exit').then(([code]) => code as unknown)
  await once(child.stderr!, 'data')
  return { child, exit }
}

describe('a command that ends', () => {
  it('has given its reader all that it printed, however late the reader comes', async () => {
    const { child, exit } = await printing('finish')
    let bytes = 0
    for await (const chunk of child.stdout!) bytes += (chunk as Buffer).length
    expect(bytes).toBe(printed)
    expect(await exit).toBe(1)
  })

  it('ends with its own code where the reader went away', async () => {
    const { child, exit } = await printing('finish')
    child.stdout!.destroy()
    expect(await exit).toBe(1)
  })
})

describe('a station that ends', () => {
  it('waits for no reader that reads no more', async () => {
    const { exit } = await printing('finishRun')
    expect(await exit).toBe(1)
  })
})
