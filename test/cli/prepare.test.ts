import { spawnSync } from 'node:child_process'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { deserialize } from 'node:v8'
import { afterAll, describe, expect, it } from 'vitest'
import { prepareApart } from '../../agent/cli/prepare-apart.js'
import { prepare } from '../../agent/cli/preparation.js'

const root = join(import.meta.dirname, '../..')
const child = join(root, 'dist/agent/cli/prepare-child.js')
const folder = mkdtempSync(join(tmpdir(), 'motepost-prepare-'))
afterAll(() => rmSync(folder, { recursive: true }))

function written(text: string): string {
  const file = join(folder, 'station.yaml')
  writeFileSync(file, text)
  return file
}

const instruments = ['frames-424d-32', 'text-lines-example', 'stuffed-7e-floats']
  .map((layout, i) => `  - { layout: ${layout}, port: /dev/ttyUSB${i}, slot: '${i + 1}' }`)
  .join('\n')
const good = `version: 1\nstation: { name: here }\ninstruments:\n${instruments}\ndata: { folder: ./data }\n`

describe('settings prepared in a process of their own', () => {
  it.each([
    ['good settings with three kinds of layout', good],
    ['settings with faults and nothing that last worked', 'version: 1\nstation: { name: 7 }\n'],
    ['an empty file', ''],
  ])('arrive as they were: %s', (_, text) => {
    const file = written(text)
    const ran = spawnSync(process.execPath, [child, file])
    expect(ran.stderr.toString()).toBe('')
    expect(deserialize(ran.stdout)).toEqual(prepare(file))
  })

  it('are prepared here where the other process cannot be had', async () => {
    const file = written(good)
    // Run from its sources this program has no child beside it to start.
    expect(await prepareApart(file)).toEqual(prepare(file))
    expect(prepare(file).plan?.layouts).toHaveLength(3)
  })
})
