/** README.md of this folder is a map from case to test; here it is held against the list of cases and against the tests. */
import { existsSync, readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'

const here = import.meta.dirname
const list = join(here, '../../../shared/field-cases.md')
const sections = [
  'Serial input',
  'Clock',
  'Disk, power loss, battery',
  'Memory, CPU and stopping over months',
  'Alerts and SMS',
  'Configuration and user errors',
  'MQTT and link',
  'Scheduling',
]

const map = readFileSync(join(here, 'README.md'), 'utf8')
  .split('\n')
  .map((line) => line.split('|').map((cell) => cell.trim()))
  .filter((cells) => /^PC-\d+$/.test(cells[1] ?? ''))
  .map(([, id, kind, title]) => ({ id, kind, title }))

/** The suite that a test title stands in, by the text of the file. */
function suiteOf(title: string): string | undefined {
  for (const name of readdirSync(here).filter(
    (file) => file.endsWith('.test.ts') && file !== 'cases.test.ts',
  )) {
    const text = readFileSync(join(here, name), 'utf8')
    const at = text.indexOf(title)
    if (at >= 0) return [...text.slice(0, at).matchAll(/\[(virtual|rig)\]', \(/g)].at(-1)?.[1]
  }
  return undefined
}

describe('the map of field cases', () => {
  it('names for each case a test that exists, and says rightly whether it is virtual or on a rig', () => {
    expect(map.length).toBeGreaterThan(10)
    for (const { id, kind, title } of map) expect(suiteOf(`'${id} ${title}'`), `${id} ${title}`).toBe(kind)
  })

  it.skipIf(!existsSync(list))(
    'has every case of the sections of the list that are in force (skipped without the list)',
    () => {
      const wanted: string[] = []
      let section = ''
      for (const line of readFileSync(list, 'utf8').split('\n')) {
        section = /^## \d+\. (.+)$/.exec(line)?.[1] ?? section
        const id = /^### (PC-\d+)/.exec(line)?.[1]
        if (id && sections.includes(section)) wanted.push(id)
      }
      expect(wanted.length).toBeGreaterThan(10)
      // Rows of sections that are not in force yet stand in between.
      expect(map.map(({ id }) => id).filter((id) => wanted.includes(id))).toEqual(wanted)
    },
  )
})
