import { describe, expect, it } from 'vitest'
import { averagesText } from '../../agent/cli/averages-words.js'
import type { AveragesFound } from '../../agent/cli/averages.js'
import type { DeskZone } from '../../agent/cli/desk-zone.js'
import type { EpisodesFound } from '../../agent/cli/episodes.js'
import { episodesText } from '../../agent/cli/episodes-words.js'
import { explainText } from '../../agent/cli/explain-words.js'
import type { Asked } from '../../agent/cli/explain.js'
import { ran } from './desk-rig.js'

const zone: DeskZone = {
  offsetMinutes: 60,
  name: 'Etc/A-Long-Name-Of-A-Zone',
  source: "by the store's settings line",
}
const found = {
  ...{ station: 'gate', storeId: '00c0ffee', zone, figures: [], options: {}, tenMinutes: false },
  survey: { records: 0 },
  gathered: { leftOut: {}, corrected: 0, bounded: 0, unplaced: [] },
} as unknown as AveragesFound

describe('the line that says in which time hours are told', () => {
  it.each([
    ['averages', () => averagesText(found)],
    ['episodes', () => episodesText({ averages: found, all: [], rule: {} } as unknown as EpisodesFound)],
    ['explain', () => explainText({ found } as unknown as Asked, [])],
  ])('fits into 80 columns and loses no word: %s', async (_, lines) => {
    const { out } = await ran(() => {
      process.stdout.write(lines().join('\n'))
      return Promise.resolve(0)
    }, '80')
    const shown = out.split('\n')
    expect(Math.max(...shown.map((line) => line.length))).toBeLessThan(80)
    expect(shown.map((line) => line.trim()).join(' ')).toContain(
      "Times: local standard time, UTC+01:00, Etc/A-Long-Name-Of-A-Zone without summer time (by the store's settings line)",
    )
  })
})
