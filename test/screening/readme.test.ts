import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, it } from 'vitest'
import { exclusions, marks } from '../../agent/terms/terms.js'

const readme = readFileSync(join(import.meta.dirname, '../../README.md'), 'utf8')

/** The rows of the table with this heading, cell by cell. */
function rowsUnder(heading: string): string[][] {
  const from = readme.indexOf(heading)
  const lines = from < 0 ? [] : readme.slice(from).split('\n').slice(2)
  const end = lines.findIndex((line) => !line.startsWith('|'))
  return lines.slice(0, end).map((line) =>
    line
      .split('|')
      .slice(1, -1)
      .map((cell) => cell.trim()),
  )
}

const rows = rowsUnder('| reason | effect | when | what to do first |')

it('the README says of every reason whether it excludes or marks, when, and what to do first', () => {
  const told = rows.map(([reason, effect]) => `${reason}: ${effect}`).sort()
  const wanted = [...exclusions.map((r) => `${r}: excluded`), ...marks.map((m) => `${m}: marked`)].sort()
  expect(told).toEqual(wanted)
  for (const [reason, , when, first] of rows) {
    expect(when.length, reason).toBeGreaterThan(10)
    expect(first.length, reason).toBeGreaterThan(3)
  }
})
