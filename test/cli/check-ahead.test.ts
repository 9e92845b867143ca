import { join } from 'node:path'
import { afterAll, expect, it } from 'vitest'
import type * as Ahead from '../../agent/cli/check-ahead.js'
import type * as Desk from '../../agent/cli/desk.js'
import { waitFor } from '../support/wait.js'
import { at, linesFilesOf, minutes, removeFolders, spoil, storeOf } from './desk-rig.js'

afterAll(removeFolders)

/** As built: a thread runs a file, and these tests are translated in memory. */
const built = (file: string) => join(import.meta.dirname, '../../dist/agent/cli', file)

it('a second thread tells of each file of a large store that every line passes, and of none with damage', async () => {
  const { checkAhead } = (await import(built('check-ahead.js'))) as typeof Ahead
  const { openOneStore } = (await import(built('desk.js'))) as typeof Desk
  const folder = await storeOf(minutes(at(0), 640, 12), 16)
  const paths = linesFilesOf(folder)
  const spoiled = paths[20]
  spoil(spoiled, (text) => text.replace(',12.00,', ',92.00,'))
  const opened = await openOneStore(folder, undefined)
  if (!opened.ok) throw new Error(opened.words)
  const ahead = checkAhead(opened.value)
  const names = opened.value.files.map(({ name }) => name)
  // It goes from the end to the beginning, so that the first file is the last to be told of.
  await waitFor('the first file', () => ahead.sound.get(names[0]) !== undefined)
  ahead.end()
  const untold = names.filter((name) => ahead.sound.get(name) === undefined)
  expect(untold.map((name) => join(folder, name))).toEqual([spoiled])
  expect(names.length).toBeGreaterThanOrEqual(32)
})

it('and a small store is not worth a thread', async () => {
  const { checkAhead } = (await import(built('check-ahead.js'))) as typeof Ahead
  const { openOneStore } = (await import(built('desk.js'))) as typeof Desk
  const opened = await openOneStore(await storeOf(minutes(at(0), 64, 12), 16), undefined)
  if (!opened.ok) throw new Error(opened.words)
  const ahead = checkAhead(opened.value)
  expect(ahead.sound.get(opened.value.files[0].name)).toBeUndefined()
  ahead.end()
})
