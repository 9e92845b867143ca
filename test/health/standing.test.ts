import { describe, expect, it } from 'vitest'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { siteList } from '../../agent/station/station.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'

/** Faults of store and state as a whole station tells them, and how they end. */

async function startOn(disk: MemoryDisk, stateDisk = new MemoryDisk()): Promise<Rig> {
  const clock = newClock()
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
      await rig.live(720)
      expect(rig.codes()).toEqual([])
      expect((await rig.records()).map(({ mono }) => Math.round(mono / 60))).toEqual([...Array(12).keys()])
      expect(siteList(rig.station.siteLog).entries).toHaveLength(1)
    },
  )
})

describe('a station whose state file is damaged', () => {
  it('says state-damaged, finds everything in its lines, and is well after the next save', async () => {
    const disk = new MemoryDisk()
    const stateDisk = new MemoryDisk()
    const first = await startOn(disk, stateDisk)
    await first.live(120)
    await first.station.addEntry({ kind: 'swapped', old_serial: '00417', new_serial: '00533' })
    await first.station.stop('test')
    const kept = await startOn(disk, stateDisk)
    expect(kept.codes()).toEqual([])
    const { units } = siteList(kept.station.siteLog)
    expect(units.map(({ serial }) => serial)).toEqual(['00417', '00533'])
    await kept.station.stop('test')
    for (const name of ['state.json', 'state.json.previous']) {
      await stateDisk.truncate(name, 0)
      await stateDisk.append(name, new TextEncoder().encode('{"motepost":'))
    }
    const again = await startOn(disk, stateDisk)
    expect(again.codes()).toEqual(['state-damaged'])
    expect(siteList(again.station.siteLog).units).toEqual(units)
    await again.live(3700)
    expect(again.codes()).toEqual([])
  })
})
