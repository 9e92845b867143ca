/** The table of decoders in DEVELOPERS.md: here it is held against the code and the tests, so that it cannot rot. */
import { existsSync, readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'

const root = join(import.meta.dirname, '../..')
const textOf = (file: string): string => readFileSync(join(root, file), 'utf8')
const text = textOf('DEVELOPERS.md')
const page = text.slice(text.indexOf('## Decoders of what comes'), text.indexOf('## What is promised'))

interface Row {
  readonly names: readonly string[]
  readonly file: string
  readonly way: string
  readonly test: string
  /** What the test calls its inputs, and how many they are. */
  readonly inputs: readonly (readonly [label: string, count: number])[]
}

const shape =
  /^\| (`.+?`) \(`(agent\/\S+\.ts)`\) \| (link|line|socket|disk|file): .+? \| .+? \| `(test\/\S+\.test\.ts)` \| (.+?) \|$/gm
const rows: readonly Row[] = [...page.matchAll(shape)].map(([, names, file, way, test, inputs]) => ({
  ...{ file, way, test },
  names: [...names.matchAll(/`(\w+)`/g)].map(([, name]) => name),
  inputs: inputs.split('; ').map((one) => {
    const [, label, count] = /^(.+) ([\d,]+)$/.exec(one) ?? [undefined, one, 'NaN']
    return [label, Number(count.replaceAll(',', ''))] as const
  }),
}))

const digits = (count: number): string => String(count).replace(/\B(?=(\d{3})+$)/g, '_?')

/** How many inputs a test makes under a label: those of `throughAll`, or the runs of fast-check. */
function inputsOf(test: string, label: string, count: number): boolean {
  const source = textOf(test)
  if (label === 'fast-check') {
    const runs = [...source.matchAll(/numRuns: ([\d_]+)/g)].map(([, n]) => Number(n.replaceAll('_', '')))
    return runs.reduce((sum, n) => sum + n, 0) === count
  }
  const constant = new RegExp(`const inputs = ${digits(count)}\\b`).test(source)
  const asked = `inputs(: ${digits(count)}\\b${constant ? '|,' : ''})`
  const literal = new RegExp(`what: (['"\`])${label}\\1,\\s*(//.*\\s*)?${asked}`)
  return (
    literal.test(source) ||
    (new RegExp(`['"]${label}['"]`).test(source) && new RegExp(`what(: [\\w.]+)?,\\s*${asked}`).test(source))
  )
}

describe('the table of decoders', () => {
  it('names decoders that there are, each with a test that bends at it with so many inputs', () => {
    expect(rows.length).toBeGreaterThan(40)
    for (const { names, file, test, inputs } of rows) {
      expect(existsSync(join(root, file)), file).toBe(true)
      const source = textOf(file)
      for (const name of names)
        expect(
          new RegExp(`\\b(function\\*?|class|const|async) ${name}\\b|^ {2}(async )?${name}\\(`, 'm').test(
            source,
          ),
          `${name} in ${file}`,
        ).toBe(true)
      expect(existsSync(join(root, test)), test).toBe(true)
      for (const [label, count] of inputs)
        expect(inputsOf(test, label, count), `${label} ${count} in ${test}`).toBe(true)
    }
  })

  it('has no row that it could not read, and no test bends at what is not named there', () => {
    const all = page.split('\n').filter((line) => line.startsWith('| ')).length
    expect(rows.length).toBe(all - 2)
    const tests = readdirSync(join(root, 'test'), { recursive: true, encoding: 'utf8' })
      .filter((name) => name.endsWith('.test.ts') && name !== 'structure/decoders.test.ts')
      .map((name) => `test/${name}`)
    for (const test of tests) {
      const labels = [...textOf(test).matchAll(/what: '(.+?)',\s*(\/\/.*\s*)?inputs/g)].map(
        ([, label]) => label,
      )
      const named = rows
        .filter((row) => row.test === test)
        .flatMap(({ inputs }) => inputs.map(([label]) => label))
      expect(
        labels.filter((label) => !named.includes(label)),
        test,
      ).toEqual([])
    }
  })

  it('bends more than a hundred thousand times at what faces the link', () => {
    const counts = rows
      .filter(({ way }) => way === 'link')
      .flatMap(({ inputs }) => inputs.map(([, count]) => count))
    expect(counts.reduce((sum, count) => sum + count, 0)).toBeGreaterThan(100_000)
  })
})
