import { describe, expect, it } from 'vitest'
import { frameBytes, plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'

const stopsAt = 1200
const turnsAgainAt = 3000

/** Air of 20 ug/m3; while the fan stands, frames with right checksums and nothing in them. */
function fanStops(at: number): Uint8Array {
  const bytes = new Uint8Array(frameBytes)
  const stands = at >= stopsAt && at < turnsAgainAt
  const none = { standardParticle: [0, 0, 0], atmospheric: [0, 0, 0], counts: [0, 0, 0, 0, 0, 0] } as const
  writeFrame(bytes, 0, stands ? none : plausibleFrame(20 + (at % 2), 1.5))
  return bytes
}

describe('a fan that stops', () => {
  it('is excluded as fan or inlet after ten minutes, never an hour of clean air, and told', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, bytes: fanStops })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(2400)
    expect(rig.codes()).toEqual(['sensor-no-particles'])
    await rig.live(3600)
    const records = await rig.records()
    const standing = records.filter(({ mono }) => mono >= stopsAt + 660 && mono < turnsAgainAt - 60)
    expect(standing.length).toBeGreaterThan(15)
    for (const record of standing) {
      expect(record.excluded).toEqual({ 'fan-or-inlet': 60 })
      expect(rig.value(record, 'pm2_5', 'mean')).toBeNaN()
      expect(rig.value(record, 'pm2_5', 'used')).toBe(0)
    }
    // The first ten minutes count, marked, so that an analysis can leave them out.
    for (const record of records.filter(({ mono }) => mono >= stopsAt + 60 && mono < stopsAt + 540))
      expect(record.marked['no-particles']).toBeCloseTo(60, 6)
    expect(rig.codes()).toEqual([])
    const last = records.at(-1)!
    expect(rig.value(last, 'pm2_5', 'mean')).toBeCloseTo(20.5, 1)
    const { refused } = (rig.health().instruments as { screening: { refused: object } }[])[0].screening
    expect(refused).toMatchObject({ 'fan-or-inlet': expect.closeTo(1200, -1) as number })
  })
})
