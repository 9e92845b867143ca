import { describe, expect, it } from 'vitest'
import { Trouble, troubleRules } from '../../agent/alerts/alerts.js'
import { Silence } from '../../agent/station/trouble-silence.js'
import { monoSeconds } from '../../agent/terms/terms.js'

/** A sensor that sleeps ten minutes of fifteen, and is dead from a time on; its silence begins anew at each waking. */
function planned(deadFrom: number) {
  return {
    name: 'sensor',
    silence: (now: number) => {
      const sinceWaking = (now % 900) - 600
      const asleep = sinceWaking < 0
      const fresh = !asleep && now < deadFrom && sinceWaking > 10
      return { asleep, fresh, seconds: fresh ? 1 : Math.max(0, sinceWaking) }
    },
  }
}

describe('silence', () => {
  it('is that of the time in which a sensor should run: three windows of five minutes are fifteen', () => {
    const raisedAt = (deadFrom: number): number | undefined => {
      const silence = new Silence()
      const trouble = new Trouble(troubleRules['no-data'])
      for (let now = 0; now < 10_800; now += 60) {
        silence.look([planned(deadFrom)], monoSeconds(now))
        const heldSeconds = silence.seconds('sensor')
        const seen = { holds: heldSeconds > 0, heldSeconds }
        if (trouble.step(seen, monoSeconds(now), false)) return now
      }
      return undefined
    }
    expect(raisedAt(Infinity)).toBeUndefined()
    // Dead from the end of the fourth window on: windows begin at 600 s of each 900.
    const at = raisedAt(3600)!
    expect(at).toBeGreaterThan(3600 + 2 * 900)
    expect(at).toBeLessThanOrEqual(3600 + 4 * 900)
  })

  it('goes on over a visit, and is told when it is over', () => {
    const trouble = new Trouble(troubleRules['no-data'])
    const seen = { holds: true, heldSeconds: 1000 }
    expect(trouble.step(seen, monoSeconds(2000), true)).toBeUndefined()
    expect(trouble.step(seen, monoSeconds(2060), false)).toMatchObject({ to: 'raised', since: 1060 })
  })
})
