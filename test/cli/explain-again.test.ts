/** All numbers that a text names, made again at once. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { namesIn, shellWords } from '../../agent/cli/explain-again.js'
import { explain } from '../../agent/cli/explain.js'
import { shellWord } from '../../agent/cli/figure-name.js'
import { at, minutes, newFolder, ran, removeFolders, siteEntry, storeOf } from './desk-rig.js'
import { averagesText, episodesText } from './figures-rig.js'

afterAll(removeFolders)

const zone = '+01:00'

async function again(text: string, options: object = {}) {
  const file = join(newFolder(), 'figures.txt')
  writeFileSync(file, text)
  return ran(() => explain('again', [file], options))
}

describe('numbers that a text names', () => {
  it('come out again, of averages and of episodes, also where the unit was changed', async () => {
    const store = await storeOf([
      siteEntry(at(0), 'set-up', { place: 'gate', new_serial: 'A-1' }),
      ...minutes(at(0), 570, 10),
      siteEntry(at(9.5), 'swapped', { old_serial: 'A-1', new_serial: 'B-2' }),
      ...minutes(at(9.5), 900, 60),
    ])
    const averages = await averagesText(store, { zone, detail: true, limits: 'us-national', years: true })
    const episodes = await episodesText(store, { zone, above: '50', detail: true })
    const { out, code } = await again(`my report\n${averages}\n${episodes}`)
    expect(out).toMatch(/^\d+ figures named, \d+ with a number: each comes out again from the records\.\n$/)
    expect(code).toBe(0)
  })

  it('of 10 min come out again too', async () => {
    const store = await storeOf(minutes(at(9), 47, 12.5))
    const text = await averagesText(store, { zone, tenMinutes: true, detail: true })
    expect(await again(text)).toMatchObject({ code: 0 })
  })

  it('do not where the store is not there any more, an option is foreign, or nothing was used then', async () => {
    const store = await storeOf(minutes(at(9), 60, 5))
    const lines = [
      `5.00: motepost explain hour '2026-03-03 09:00' --zone ${zone} --store ${shellWord(store)}`,
      `5.00: motepost explain hour '2026-03-05 09:00' --zone ${zone} --store ${shellWord(store)}`,
      '5.00: motepost explain hour 2026-03-03 --store nowhere',
      '5.00: motepost explain hour 2026-03-03 --shell true',
    ]
    const { out, code } = await again(lines.join('\n'), { json: true })
    const told = JSON.parse(out) as { named: number; same: number; differing: { line: number }[] }
    expect(code).toBe(1)
    expect(told).toMatchObject({ named: 4, same: 1 })
    expect(told.differing.map(({ line }) => line)).toEqual([2, 3, 4])
  })

  it('are none in another text, and a file that is not there is wrong use', async () => {
    expect(await again('nothing of that kind\n')).toMatchObject({ code: 2, out: '' })
    expect((await ran(() => explain('again', ['/nowhere/at/all'], {}))).code).toBe(2)
    expect((await ran(() => explain('again', [], {}))).code).toBe(2)
    expect((await again('5: motepost explain day 2026-03-03', { zone })).err).toContain(
      '--json is all it takes',
    )
  })

  it('are read from their lines: with a number, without one, and alone', () => {
    const text =
      "pm10 hour 2026-03-03 09:00 -1.50: motepost explain hour '2026-03-03 09:00'\n" +
      'pm10, 2026 beside its limits: motepost explain year 2026\n' +
      'motepost explain change 2026-03-03\nexplain nothing\n'
    expect(namesIn(text)).toEqual([
      { line: 1, number: '-1.50', words: ['hour', '2026-03-03 09:00'] },
      { line: 2, words: ['year', '2026'] },
      { line: 3, words: ['change', '2026-03-03'] },
    ])
  })

  it.each(['plain', 'a folder', "the mayor's", "''", "a'b c'd", '$HOME; rm -r x', 'ä/ö'])(
    'keep the word %j',
    (word) => {
      expect(shellWords(`motepost ${shellWord(word)} end`)).toEqual(['motepost', word, 'end'])
    },
  )
})
