/** The page of promises in DEVELOPERS.md is a map from promise to test; here it is held against the tests. */
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'

const root = join(import.meta.dirname, '../..')
const text = readFileSync(join(root, 'DEVELOPERS.md'), 'utf8')
const page = text.slice(text.indexOf('## What is promised'), text.indexOf('## Decisions'))
const rows = [...page.matchAll(/^\| (.+?) \| `(test\/\S+\.test\.ts)`: (.+?) \|$/gm)].map(
  ([, promise, file, title]) => ({
    promise,
    file,
    title,
  }),
)

describe('the page of promises', () => {
  it('names for each promise a test that exists', () => {
    expect(rows.length).toBeGreaterThan(15)
    for (const { promise, file, title } of rows) {
      expect(existsSync(join(root, file)), file).toBe(true)
      const test = readFileSync(join(root, file), 'utf8')
      expect(/\b(it|skipIf)\b/.test(test) && test.includes(title), `${promise}: ${title}`).toBe(true)
    }
  })

  it('has no row that it could not read, and says what is not promised', () => {
    const all = page.split('\n').filter((line) => line.startsWith('| ')).length
    expect(rows.length).toBe(all - 2)
    for (const word of [
      'A card that lies',
      'Bit rot',
      'Smoke held to the inlet',
      'A key on the same card',
      'Retired numbers',
    ])
      expect(page).toContain(word)
  })
})
