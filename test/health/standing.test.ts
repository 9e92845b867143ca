import { describe, expect, it } from 'vitest'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { siteList } from '../../agent/station/station.js'
import { faultCatalogue } from '../../agent/terms/terms.js'
import { newClock, startRig, startUtc, ToldSensor, type Rig } from '../support/station-rig.js'

/** Faults of store and state as a whole station tells them, and how they end. */

/** @param boot each boot is a day after the one before */
async function startOn(disk: MemoryDisk, stateDisk = new MemoryDisk(), boot = 0): Promise<Rig> {
  const clock = newClock(`b0070001-0000-4000-8000-00000000000${boot}`, startUtc + boot * 86_400_000)
  return startRig(clock, disk, {
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
    state: stateFileOn(stateDisk, 'state.json'),
  })
}

type Ill = (disk: MemoryDisk) => void

const well: Ill = (disk) => {
  disk.capacityBytes = Infinity
  disk.readOnly = false
  disk.beforeOperation = () => undefined
}

const ills: [code: string, ill: Ill][] = [
  ['disk-full', (disk) => (disk.capacityBytes = 0)],
  ['disk-read-only', (disk) => (disk.readOnly = true)],
  ['disk-error', (disk) => (disk.beforeOperation = () => 'disk-error')],
  ['disk-denied', (disk) => (disk.beforeOperation = () => 'disk-denied')],
  ['disk-missing', (disk) => (disk.beforeOperation = () => 'disk-missing')],
]

describe('a station whose disk is ill', () => {
  it.each(ills)(
    'measures on, tells %s once, keeps its records in memory, and is well when the disk is',
    async (code, ill) => {
      const disk = new MemoryDisk()
      const rig = await startOn(disk)
      await rig.live(180)
      ill(disk)
      await rig.live(600)
      expect(rig.codes()).toEqual([code])
      expect(rig.told.filter((words) => words.startsWith('over: '))).toEqual([])
      // What was noted is told as not safe, and is not lost.
      expect(await rig.station.addEntry({ kind: 'observed', note: 'a fox' })).toMatchObject({
        ok: true,
        safe: false,
      })
      well(disk)
      // A disk that erred is tried at longer and longer distances.
      await rig.live(1800)
      expect(rig.codes()).toEqual([])
      const minutes = (await rig.records()).map(({ mono }) => Math.round(mono / 60))
      expect(minutes.length).toBeGreaterThan(20)
      expect(minutes).toEqual([...minutes.keys()])
      expect(siteList(rig.station.siteLog).entries).toHaveLength(1)
    },
  )
})

describe('a station whose state file is damaged', () => {
  it('says state-damaged, finds everything in its lines, and is well after the save of that start', async () => {
    const disk = new MemoryDisk()
    const stateDisk = new MemoryDisk()
    const first = await startOn(disk, stateDisk)
    await first.live(120)
    await first.station.addEntry({ kind: 'swapped', old_serial: '00417', new_serial: '00533' })
    await first.station.stop('test')
    const kept = await startOn(disk, stateDisk, 1)
    expect(kept.codes()).toEqual([])
    const { units } = siteList(kept.station.siteLog)
    expect(units.map(({ serial }) => serial)).toEqual(['00417', '00533'])
    await kept.station.stop('test')
    for (const name of ['state.json', 'state.json.previous']) {
      await stateDisk.truncate(name, 0)
      await stateDisk.append(name, new TextEncoder().encode('{"motepost":'))
    }
    const again = await startOn(disk, stateDisk, 2)
    // The start saves a state of its own: told and, with that, over.
    expect(again.told).toContainEqual(expect.stringContaining(faultCatalogue['state-damaged'].words))
    expect(again.told).toContain(`over: ${faultCatalogue['state-damaged'].words}`)
    expect(siteList(again.station.siteLog).units).toEqual(units)
    expect(again.codes()).toEqual([])
  })
})
