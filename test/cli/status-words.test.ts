import { expect, it } from 'vitest'
import { statusLines } from '../../agent/cli/status-words.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { troubleChoices } from '../../agent/alerts/alerts.js'
import { base, goodSettings } from '../settings/support.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'

it('a raised trouble stands in the status with its figure, since when by the watch of the place, and what to do first', async () => {
  const clock = newClock()
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor }],
    options: { troubles: troubleChoices([], []) },
  })
  await rig.live(600)
  const place = { timeZone: 'Etc/GMT-1', standardOffsetMinutes: 60 }
  const reached = { settings: goodSettings(base), place }
  expect(statusLines(await rig.station.status(), reached).join('\n')).not.toContain('trouble')
  sensor.dumb = true
  await rig.live(2400)
  const lines = statusLines(await rig.station.status(), reached)
  const at = lines.findIndex((line) => line.startsWith('trouble   no-data: '))
  expect(
    lines
      .slice(at, at + 3)
      .join(' ')
      .replaceAll(/ +/g, ' '),
  ).toMatch(/no-data: no data from the sensor .*since 2026-03-01 01:1\d.* What to do: check plug, cable/)
})

it('settings from afar: which are in force, how long a trial lasts, and nothing where the file stands alone', async () => {
  const rig = await startRig(newClock(), new MemoryDisk(), {
    instruments: [{ sensor: new ToldSensor(newClock(), { pm2_5: () => 20 }) }],
  })
  const status = await rig.station.status()
  const place = { timeZone: 'Etc/GMT-1', standardOffsetMinutes: 60 }
  const words = (settings: typeof status.settings): string =>
    statusLines({ ...status, settings }, { settings: goodSettings(base), place })
      .join(' ')
      .replaceAll(/ +/g, ' ')
  expect(words({ from: 'file' })).not.toContain('settings')
  const id = '0123456789abcdef'
  expect(words({ from: 'pushed', id, by: 'anna' })).toContain(
    `settings the file at the station, with settings from afar over it (${id} of anna)`,
  )
  expect(words({ from: 'trial', id, by: 'anna', left_s: 3600 })).toContain(
    `settings on trial, from afar (${id} of anna): 60 min left to confirm`,
  )
})

it('commands from afar: whether they are heard, from how many keys, and what was refused', async () => {
  const clock = newClock()
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
  })
  const status = await rig.station.status()
  const words = (commands: typeof status.commands): string =>
    statusLines(
      { ...status, commands },
      { settings: goodSettings(base), place: { timeZone: 'Etc/GMT-1', standardOffsetMinutes: 60 } },
    )
      .join(' ')
      .replaceAll(/ +/g, ' ')
  const counts = { taken: 3, given: 1, held: 0, refused: { replayed: 1, 'wrong-signature': 1 } }
  expect(words(undefined)).not.toContain('commands')
  expect(words({ keys: 2, ...counts })).toContain('commands from 2 keys: no connection yet')
  expect(words({ keys: 1, heard: true, ...counts })).toContain(
    'commands heard from 1 key: 3 came, refused: replayed 1, wrong-signature 1',
  )
  expect(words({ keys: 1, heard: false, ...counts })).toContain('commands NOT heard (from 1 key): the broker')
})
