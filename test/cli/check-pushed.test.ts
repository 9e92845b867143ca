import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, expect, it } from 'vitest'
import { lookAtPushed } from '../../agent/cli/check-pushed.js'
import { check } from '../../agent/cli/check.js'
import { baseOf, pushedFilesIn } from '../../agent/cli/pushed-files.js'
import { prepare } from '../../agent/cli/preparation.js'
import { good } from '../../agent/terms/terms.js'
import { printed } from '../support/printed.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-check-pushed-'))
afterAll(() => rmSync(folder, { recursive: true }))

const file = join(folder, 'station.yaml')
const own = `version: 1
station: { name: here, time_zone: Etc/GMT }
instruments: [{ layout: frames-424d-32, port: /dev/serial/by-id/no-adapter }]
data: { folder: ${join(folder, 'data')} }
`
mkdirSync(join(folder, 'data'))

/** The line about settings from afar, and the settings with every default. */
async function checked(): Promise<{ line: string | undefined; effective: string }> {
  const { said } = await printed(() => check(file, { effective: true }))
  expect(said).toContain('settings  well: ')
  return { line: said.split('\n').find((line) => line.startsWith('from afar')), effective: said }
}

const keep = (text: string) =>
  pushedFilesIn(join(folder, 'data')).keep({ id: '0123456789abcdef', base: baseOf(own), text, by: 'anna' })

it('check says which settings from afar stand over the file, what they change, and how to be rid of them', async () => {
  writeFileSync(file, own)
  expect((await checked()).line).toBeUndefined()
  await keep('health: { every_min: 20 }\ndata: { record_s: 60 }\n')
  const over = await checked()
  expect(over.line).toBe(
    'from afar well: the file at the station, with settings from afar over it (0123456789abcdef of anna): health.every_min 20. Editing the settings file by hand ends them',
  )
  expect(over.effective).toContain('every_min: 20')
  writeFileSync(file, `${own}# edited\n`)
  const edited = await checked()
  expect(edited.line).toMatch(
    /^from afar well: settings from afar .* are void: the settings file was edited by hand/,
  )
  expect(edited.effective).not.toContain('every_min: 20')
  writeFileSync(file, own)
  await keep('health: { every_minute: 20 }\n')
  expect((await checked()).line).toMatch(
    /^from afar LOOK: settings from afar .* do not pass with this version/,
  )
})

it('check says that the running agent is on trial, and how somebody at the station ends that', () => {
  const prepared = prepare(file)
  const trial = { from: 'trial', id: '0123456789abcdef', by: 'anna', left_s: 600 }
  const [item] = lookAtPushed(
    prepared.plan!.settings,
    prepared,
    good({ ok: true, status: { settings: trial } }),
  )
  expect(item).toMatchObject({
    well: true,
    words: expect.stringMatching(/10 min left .* restart the agent/) as string,
  })
  for (const other of [undefined, { status: {} }, { status: { settings: { from: 'file' } } }])
    expect(lookAtPushed(prepared.plan!.settings, prepared, good(other))).toEqual([])
})
