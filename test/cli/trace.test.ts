import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { stateFile } from '../../agent/hardware/state-file.js'
import { trace } from '../../agent/cli/trace.js'
import {
  anchor,
  archiveOf,
  at,
  linesFilesOf,
  minute,
  minutes,
  ran,
  removeFolders,
  siteEntry,
  spoil,
  storeId,
  storeOf,
  value,
} from './desk-rig.js'

afterAll(removeFolders)

const traced = (seq: number, store: string) => ran(() => trace(seq, { store, zone: '+01:00' }))
/** As one line: where a text is broken does not matter. */
const words = async (seq: number, store: string): Promise<string> =>
  (await traced(seq, store)).out.replace(/\s+/g, ' ')

describe('trace', () => {
  it('follows a record from its place in the file to its neighbours', async () => {
    const store = await storeOf([
      siteEntry(at(0), 'set-up', { place: 'gate', new_serial: 'A-1' }),
      anchor(at(8)),
      minute(at(9), 12.34, { used: 40, marked: { spike: 2 } }),
      minute(at(10), 5),
    ])
    const out = await words(3, store)
    for (const part of [
      'lines-000000000001.csv, line 5, byte',
      'CRC passes (k',
      'record of 60.0 s, 60.0 s planned',
      '2026-03-03 09:00 standard time UTC+01:00, 2026-03-03T08:00:00Z',
      // 0.1 s of the check and 100 ppm of an hour.
      'error at most 0.46 s (time check 2 by ntp, 60 min earlier)',
      'pm2_5 12.34 ug/m3, atmospheric (used 40.0 s, max 12.3)',
      '20.0 s no-data: no reading covered the time',
      '2.0 s spike: one reading far above both its neighbours',
      'deployment: gate since 2026-03-02T23:00:00Z',
      'unit A-1',
      'not known: no state.json is beside the lines',
      'before 2: anchor,2,',
      'after 4: record,4,',
    ])
      expect(out).toContain(part)
    expect((await traced(3, store)).code).toBe(0)
  })

  it('says that a time came from a later check, or that nobody knows it', async () => {
    const store = await storeOf([
      minute(at(9), 1, { timeless: true }),
      minute(at(9), 1, { timeless: true, boot: 'ffffffff' }),
      anchor(at(10)),
    ])
    expect(await words(1, store)).toContain(
      'corrected: the line itself did not know its time; error at most 0.46 s (time check 3 by ntp, 60 min later)',
    )
    expect(await words(2, store)).toContain(
      'by the boots before and after: no time check of this boot is known, and none is guessed',
    )
  })

  it('says why a record is left out of averages', async () => {
    const span = { effect: 'exclude', name: 'somebody', reason: 'bonfire' }
    const times = { from: '2026-03-03T08:00:00Z', to: '2026-03-03T08:30:00Z' }
    const store = await storeOf([
      ...minutes(at(9), 2, 1),
      siteEntry(at(20), 'excluded', { ...span, ...times }),
    ])
    expect(await words(2, store)).toContain('left out of averages: somebody: bonfire')
    expect(await words(3, store)).toContain('event: sitelog')
  })

  it('tells safe, sent and safe away apart, as the checkpoint has them', async () => {
    const store = await storeOf(minutes(at(9), 9, 1))
    const uplink = { v: 1, storeId, sent: [[4, 6]], away: [[1, 3]] }
    value(await stateFile(join(store, 'state.json')).save({ v: 1, seq: 7, uplink }))
    expect(await words(2, store)).toContain(
      'safe away yes: a receipt of the collector names it (as one of 1 to 3)',
    )
    expect(await words(5, store)).toMatch(
      /sent yes: the broker acknowledged it \(as one of 4 to 6\) safe away not yet/,
    )
    expect(await words(7, store)).toContain('not by the last checkpoint')
    expect(await words(8, store)).toContain('younger than the last checkpoint, which held lines up to 7')
    const archive = await archiveOf(store, (lines) => lines)
    expect(await words(2, archive)).toContain(
      'this is the far end: it syncs a line before its receipt names it',
    )
  })

  it('has a problem to tell of a damaged line, and of a number that no line has', async () => {
    const store = await storeOf(minutes(at(9), 9, 1))
    spoil(linesFilesOf(store)[0], (text) => text.replace(/(record,4,.*),1\.00,/, '$1,2.00,'))
    expect((await traced(4, store)).code).toBe(1)
    expect(await words(4, store)).toContain('DOES NOT PASS: the line is damaged and not believed')
    const { code, out } = await traced(77, store)
    expect(code).toBe(1)
    expect(out).toContain('no line of this number, and no skip line says why')
  })

  it('gives the same facts as JSON', async () => {
    const store = await storeOf(minutes(at(9), 3, 1))
    const { out } = await ran(() => trace(2, { store, json: true }))
    const told = JSON.parse(out) as Record<string, unknown>
    expect(told).toMatchObject({ seq: 2, kind: 'record', before: 1, after: 3, sent: null, store: storeId })
    expect(told.places).toMatchObject([{ file: 'lines-000000000001.csv', line: 4, state: 'line' }])
  })
})
