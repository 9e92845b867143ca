import { readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { faultCatalogue, faultCodes } from '../../agent/terms/terms.js'

const root = join(import.meta.dirname, '../..')
const readme = join(root, 'README.md')
const heading = '| code | grave | what it says | what to do first |\n| --- | --- | --- | --- |\n'

const row = (code: (typeof faultCodes)[number]): string => {
  const { severity, words, firstThing } = faultCatalogue[code]
  return `| ${code} | ${severity} | ${words} | ${firstThing} |\n`
}

/** The text between the heading of the table and the first line after it that is no row. */
function tableIn(text: string): string {
  const from = text.indexOf(heading)
  const after = text.slice(from + heading.length)
  return from < 0 ? '' : after.slice(0, after.search(/^(?!\|)/m))
}

const testFiles = readdirSync(join(root, 'test'), { recursive: true, encoding: 'utf8' }).filter(
  (name) => /\.ts$/.test(name) && !name.startsWith('structure'),
)
const tests = testFiles.map((name) => readFileSync(join(root, 'test', name), 'utf8')).join('\n')

describe('the fault catalogue', () => {
  it('is the table of the README, row by row (UPDATE_README=1 writes it anew)', () => {
    const wanted = faultCodes.map(row).join('')
    if (process.env.UPDATE_README) {
      const text = readFileSync(readme, 'utf8')
      writeFileSync(
        readme,
        text.replace(heading + tableIn(text), () => heading + wanted),
      )
    }
    expect(tableIn(readFileSync(readme, 'utf8'))).toBe(wanted)
  })

  it('holds no code that no test sees: each is named as a whole word in a test', () => {
    expect(testFiles.length).toBeGreaterThan(30)
    expect(faultCodes.filter((code) => !tests.includes(`'${code}'`))).toEqual([])
  })

  it('is raised from the code: each stands in agent/ outside the catalogue', () => {
    const sources = readdirSync(join(root, 'agent'), { recursive: true, encoding: 'utf8' })
      .filter((name) => name.endsWith('.ts') && name !== 'terms/faults.ts')
      .map((name) => readFileSync(join(root, 'agent', name), 'utf8'))
      .join('\n')
    expect(faultCodes.filter((code) => !sources.includes(`'${code}'`))).toEqual([])
  })
})
