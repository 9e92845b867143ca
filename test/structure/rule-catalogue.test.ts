import { readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { particleRules, troubleRules } from '../../agent/alerts/alerts.js'
import { builtInRuleNames, particleRuleNames, troubleRuleNames } from '../../agent/terms/terms.js'

const root = join(import.meta.dirname, '../..')
const readme = join(root, 'README.md')
const heading = '| rule | priority | raised when | what to do first |\n| --- | --- | --- | --- |\n'

const rows = [
  ...particleRuleNames.map((name) => {
    const { priority, words, firstThing } = particleRules[name]
    return [name, priority, words, firstThing]
  }),
  ...troubleRuleNames.map((name) => {
    const { priority, words, raisedWhen, firstThing } = troubleRules[name]
    return [name, priority, `${words}: ${raisedWhen}`, firstThing]
  }),
]

/** The text between the heading of the table and the first line after it that is no row. */
function tableIn(text: string): string {
  const from = text.indexOf(heading)
  const after = text.slice(from + heading.length)
  return from < 0 ? '' : after.slice(0, after.search(/^(?!\|)/m))
}

describe('the catalogue of rules out of the box', () => {
  it('is the table of the README, row by row (UPDATE_README=1 writes it anew)', () => {
    const wanted = rows.map((cells) => `| ${cells.join(' | ')} |\n`).join('')
    if (process.env.UPDATE_README) {
      const text = readFileSync(readme, 'utf8')
      writeFileSync(
        readme,
        text.replace(heading + tableIn(text), () => heading + wanted),
      )
    }
    expect(tableIn(readFileSync(readme, 'utf8'))).toBe(wanted)
  })

  it('holds no rule that no test lives through on a station: each is named in a test of test/station', () => {
    const folder = join(root, 'test/station')
    const files = readdirSync(folder).filter((name) => /^(troubles?|particle)\b.*\.test\.ts$/.test(name))
    expect(files.length).toBeGreaterThanOrEqual(4)
    const tests = files.map((name) => readFileSync(join(folder, name), 'utf8')).join('\n')
    expect(builtInRuleNames.filter((name) => !tests.includes(`'${name}'`))).toEqual([])
  })
})
