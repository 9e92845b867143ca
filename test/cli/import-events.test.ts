/** Activity logs, read by the command into an events file. */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { activitiesIn, isEventsFile, readEventsFile } from '../../agent/cli/import-events.js'
import { importLog } from '../../agent/cli/import.js'
import type { ImportOptions } from '../../agent/cli/import-plan.js'
import { newFolder, ran, removeFolders } from './desk-rig.js'

afterAll(removeFolders)

async function imported(log: string, options: Partial<ImportOptions> = {}) {
  const folder = newFolder()
  const file = join(folder, 'quarry.csv')
  writeFileSync(file, log)
  const done = await ran(() => importLog(file, { into: folder, events: true, json: true, ...options }))
  return { ...done, file: join(folder, 'quarry.events.csv') }
}

const rowsOf = (file: string): string[] => readFileSync(file, 'utf8').trim().split('\r\n').slice(1)

describe('an activity log', () => {
  it('becomes rows in order of start, and each line not taken is told with its reason', async () => {
    const { code, out, file } = await imported(
      [
        'Start,End,Activity,Note',
        '2026-03-02 10:00,2026-03-02 10:05,Blast,"north face, two rows"',
        '2026-03-01 08:00,2026-03-01 09:30,mowing,',
        '2026-03-01 08:00,2026-03-01 09:30,mowing,',
        'sheet two',
        '2026-03-02 11:00,2026-03-02 10:00,trucks,',
        '2026-03-02 12:00,soon,trucks,',
        '2026-03-03 12:00,,trucks,=1+1',
        'lunch,2026-03-02 10:00,trucks,',
        '2026-03-02 12:00,2026-05-02 12:00,trucks,',
      ].join('\n'),
      { zone: '+01:00' },
    )
    expect(code).toBe(1)
    expect(rowsOf(file)).toEqual([
      '2026-03-01T08:00:00+01:00,2026-03-01T09:30:00+01:00,mowing,',
      '2026-03-02T10:00:00+01:00,2026-03-02T10:05:00+01:00,blast,"north face, two rows"',
      "2026-03-03T12:00:00+01:00,2026-03-03T12:00:00+01:00,trucks,'=1+1",
    ])
    const told = JSON.parse(out) as {
      lines: { taken: number; given: number; refused: Record<string, number> }
      kinds: Record<string, { rows: number; minutes: number }>
    }
    expect(told.lines).toMatchObject({
      taken: 9,
      given: 3,
      refused: { double: 1, 'not-a-row': 1, 'ends-before': 1, 'no-end': 1, 'no-time': 1, 'too-lasting': 1 },
    })
    expect(told.kinds.mowing).toEqual({ rows: 1, minutes: 90 })
  })

  it('may have its date apart, a duration in place of an end, and decimal commas', async () => {
    const { code, file } = await imported('Tag;von;Dauer;Was\n1.3.2026;08:00;7,5;Truck\n', {
      time: 'Tag,von',
      timeFormat: 'DD.MM.YYYY HH:mm',
      map: ['minutes=Dauer', 'kind=Was'],
      decimal: 'comma',
      zone: '+00:00',
    })
    expect(code).toBe(0)
    expect(rowsOf(file)).toEqual(['2026-03-01T08:00:00+00:00,2026-03-01T08:07:30+00:00,truck,'])
    const ends = await imported('day,from,until\n2026-03-01,8:00,8:10\n', {
      time: 'day,from',
      endTime: 'day,until',
      zone: 'Etc/GMT-1',
    })
    expect(rowsOf(ends.file)).toEqual(['2026-03-01T08:00:00+01:00,2026-03-01T08:10:00+01:00,activity,'])
  })

  it('is read back with the words that were typed, and tells what touches a span', async () => {
    const { file } = await imported(
      'start,end,kind,words\n2026-03-01T08:00Z,2026-03-01T08:30Z,blast,=1+1\n2026-03-01T09:00Z,,blast,"a ""b"", c"\n',
    )
    expect(isEventsFile(file)).toBe(true)
    const read = readEventsFile(file)
    if (!read.ok) throw new Error(read.words)
    expect(read.value.activities.map(({ words }) => words)).toEqual(['=1+1', 'a "b", c'])
    const at = (text: string): number => Date.parse(`2026-03-01T${text}Z`)
    const touching = (from: string, to: string) => activitiesIn(read.value, at(from), at(to)).length
    expect([touching('08:10', '08:20'), touching('08:30', '09:00'), touching('09:00', '09:01')]).toEqual([
      1, 0, 1,
    ])
  })

  it('that was changed by hand into nonsense is told with its line', async () => {
    const { file } = await imported('start,kind\n2026-03-01T08:00Z,blast\n2026-03-02T08:00Z,blast\n')
    const lines = readFileSync(file, 'utf8').split('\r\n')
    writeFileSync(file, [lines[0], lines[2], lines[1], ''].join('\r\n'))
    expect(readEventsFile(file)).toMatchObject({ ok: false, words: expect.stringContaining(':3:') as string })
    expect(readEventsFile(join(newFolder(), 'none'))).toMatchObject({ ok: false, code: 2 })
  })

  it('without a start column, or with a channel in its map, says what to type', async () => {
    expect((await imported('a,b\n1,2\n')).err).toContain('--map start=COLUMN')
    expect((await imported('start\n', { map: ['pm10=a'] })).err).toContain('start, end, minutes, kind, words')
    const plain = await imported('time,pm10\n', { events: false, endTime: 'x' })
    expect([plain.code, plain.err]).toEqual([2, expect.stringContaining('--events')])
  })
})
