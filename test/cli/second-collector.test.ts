import { afterEach, expect, it } from 'vitest'
import { collect, type CollectOptions } from '../../agent/cli/collect.js'
import { lockFolder } from '../../agent/hardware/lock.js'
import { ran } from './desk-rig.js'
import { archiveFolder, endAll } from './stations-rig.js'

afterEach(endAll)

it('a second collector on one archive is told of the other, and of the option that names another', async () => {
  const archive = archiveFolder()
  const first = await lockFolder(archive)
  const options = { archive, broker: 'mqtt://127.0.0.1:1883', group: 'slate-hollow', protocol: '5' }
  const second = await ran(() => collect(options as CollectOptions))
  expect(second.code).toBe(1)
  expect(second.err).toContain(`another agent or collector writes to this folder: ${archive}.`)
  expect(second.err).toContain('--archive of a collector')
  if (first.ok) first.value.release()
})
