import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationPorts } from '../../agent/station/station.js'
import { done } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'

const minute = 60

type Uplink = ReturnType<NonNullable<StationPorts['makeUplink']>>

describe('the hours of a modem', () => {
  it('let lines go only in their minutes, and the commands switch it on and off about them', async () => {
    const clock = newClock()
    const steps: number[] = []
    const switched: string[] = []
    const supply = {
      name: 'modem',
      set: (on: boolean) => (
        switched.push(`${Math.round(clock.mono() / minute)} ${on ? 'on' : 'off'}`),
        Promise.resolve(done)
      ),
    }
    const uplink = new Proxy({} as Uplink, {
      get: (_, name) => {
        if (name === 'busy') return false
        if (name === 'settled' || name === 'stop') return () => Promise.resolve()
        if (name === 'step') return () => void steps.push(Math.round(clock.mono() / minute))
        return () => ({})
      },
    })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
      options: {
        modem: { everyMinutes: 60, onMinutes: 10, fromHours: 1, toHours: 3, standardOffsetMinutes: 0 },
      },
      ports: () => ({ modem: supply, makeUplink: () => uplink }),
    })
    await rig.live(4 * 60 * minute)
    expect(switched).toEqual(['1 off', '60 on', '70 off', '120 on', '130 off'])
    const windows = [60, 120].flatMap((from) => Array.from({ length: 10 }, (_, i) => from + i))
    expect(steps).toEqual(windows)
  })
})
