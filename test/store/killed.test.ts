import { spawn } from 'node:child_process'
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { describe, expect, it, onTestFinished } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { readStoreFolder } from '../../agent/store/store.js'
import { transpiled } from '../support/transpiled.js'
import { value } from './support.js'

const kills = 8

/** Runs the writer until it has said so many lines, then kills it. */
async function runAndKill(
  agent: string,
  folder: string,
  afterLines: number,
): Promise<{ given: number[]; safe: number }> {
  const writer = spawn(process.execPath, [join(import.meta.dirname, 'killed-writer.mjs'), agent, folder], {
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  const ended = new Promise((resolve) => writer.once('exit', (_, signal) => resolve(signal)))
  const given: number[] = []
  let safe = 0
  let lines = 0
  for await (const line of createInterface({ input: writer.stdout })) {
    const [word, ...numbers] = line.split(' ')
    if (word === 'given') given.push(...numbers.map(Number))
    else safe = Number(numbers[0])
    if (++lines === afterLines) writer.kill('SIGKILL')
  }
  expect(await ended).toBe('SIGKILL')
  return { given, safe }
}

describe('a store whose process is killed while it writes', () => {
  it('has every line that was safe before the kill once, and gives no number again that has a line', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const random = seededRandom(seed)
    const place = mkdtempSync(join(tmpdir(), 'motepost-killed-'))
    onTestFinished(() => rmSync(place, { recursive: true }))
    const agent = transpiled(join(place, 'agent'), [
      'terms',
      'store',
      'hardware/disk.ts',
      'hardware/mounted.ts',
    ])
    const folder = join(place, 'data')
    const onDisk = new Set<number>()
    const safe = new Set<number>()
    for (let kill = 0; kill < kills; kill++) {
      const run = await runAndKill(agent, folder, 1 + Math.floor(random.next() * 60))
      expect(run.given.filter((seq) => onDisk.has(seq))).toEqual([])
      for (const seq of run.given) if (seq <= run.safe) safe.add(seq)
      const opened = value(await readStoreFolder(value(await openFolder(folder, { create: false }))))
      const found = value(await opened.reader.lines(0, Number.MAX_SAFE_INTEGER)).map(({ line }) => line)
      const numbers = found.map((line) => line.seq)
      expect(new Set(numbers).size).toBe(numbers.length)
      expect([...safe].filter((seq) => !numbers.includes(seq))).toEqual([])
      for (const seq of numbers) onDisk.add(seq)
    }
    console.info(`${kills} kills, ${safe.size} safe lines`)
  })
})
