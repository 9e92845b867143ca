/** The figures of a new card: two hours, an emptied folder, one hour, and the archive has three. A whole station in virtual time. */
import { expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { monoSeconds } from '../../agent/terms/terms.js'
import { FarEnd } from '../support/far-end.js'
import { newClock, startRig, startUtc, ToldSensor } from '../support/station-rig.js'

const hour = 3600
const bootOf = (n: number): string => `b007000${n}-0000-4000-8000-00000000000${n}`
const storeOf = (n: number): string => `${n}`.repeat(8) + '-1111-4111-8111-111111111111'

it('two hours, an emptied folder and one hour are 180 records in the archive, each minute once', async () => {
  const far = new FarEnd()
  await far.step(monoSeconds(0))
  for (const [card, from, hours] of [
    [1, 0, 2],
    [2, 2, 1],
  ] as const) {
    const clock = newClock(bootOf(card), startUtc + from * hour * 1000)
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [
        {
          sensor: new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 5 }),
          options: { readEverySeconds: 5 },
        },
      ],
      options: { readEverySeconds: 5 },
      storeOptions: { newStoreId: () => storeOf(card) },
      ports: (store) => ({ makeUplink: far.uplinkOf(store, clock.bootId) }),
    })
    for (let now = 60; now <= hours * hour; now += 60) {
      await rig.live(now)
      await far.step(monoSeconds(from * hour + now))
    }
    // What waits for its pack, ten minutes at most, goes now: it would lie on the old card alone.
    await rig.store.flush()
    rig.station.sendNow()
    await rig.station.settled()
    await rig.live(hours * hour + 1)
    await far.step(monoSeconds((from + hours) * hour + 1))
    await rig.station.stop('asked')
  }
  const records = [...far.archives].map(([store, { disk }]) => {
    const lines = disk.paths
      .filter((path) => path.startsWith('lines-'))
      .flatMap((path) => disk.text(path).split('\n'))
    return [store, lines.filter((line) => line.startsWith('record,'))] as const
  })
  expect(records.map(([store, lines]) => [store, lines.length])).toEqual([
    [storeOf(1), 120],
    [storeOf(2), 60],
  ])
  // The eighth cell of a record is its UTC: three hours of minutes, none twice and none missing.
  const minutes = records.flatMap(([, lines]) => lines.map((line) => Date.parse(line.split(',')[7])))
  expect(minutes.sort((a, b) => a - b)).toEqual(Array.from({ length: 180 }, (_, i) => startUtc + i * 60_000))
})
