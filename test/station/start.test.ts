import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'

function startOn(disk: MemoryDisk, clock = newClock()): Promise<Rig> {
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  return startRig(clock, disk, { instruments: [{ sensor }] })
}

describe('a station that starts', () => {
  it('says that its clock is not trusted until a source vouches for it', async () => {
    const clock = newClock()
    clock.source = undefined
    const rig = await startOn(new MemoryDisk(), clock)
    await rig.live(120)
    expect(rig.codes()).toEqual(['clock-untrusted'])
    clock.source = 'ntp'
    await rig.live(240)
    expect(rig.codes()).toEqual([])
  })

  it('tells how many damaged lines it set aside', async () => {
    const disk = new MemoryDisk()
    const first = await startOn(disk)
    await first.live(240)
    await first.station.stop('test')
    const listed = await disk.list('')
    const name = listed.ok && listed.value.find((file) => file.startsWith('lines-'))
    await disk.append(String(name), new TextEncoder().encode('record,spoilt\n'))
    const clock = newClock('b0070002-0000-4000-8000-000000000002')
    const second = await startOn(disk, clock)
    expect(second.codes()).toContain('store-damaged')
  })
})
