/** Every vector of ../shared/reference/sound-wind-power-checks.json about sun, panel and battery; titles name its source. */
import { describe, expect, it } from 'vitest'
import { sharedJson, type AirCheck } from '../support/shared-reference.js'
import { powerChecks, sunChecks, type Check } from './vector-checks.js'

const all = sharedJson<AirCheck[]>('reference/sound-wind-power-checks.json')
const ours = (all ?? []).filter(({ topic }) => /^(sun|power)\./.test(topic))
const checks: Readonly<Record<string, Check>> = { ...sunChecks, ...powerChecks }

describe.skipIf(!all)('published and recomputed figures of sun, panel and battery', () => {
  it('knows every vector of these topics, and has no check without its vector', () => {
    expect(ours.map(({ id }) => id).sort()).toEqual(Object.keys(checks).sort())
  })

  for (const vector of ours.filter(({ id }) => id in checks))
    it(`agrees with ${vector.id}: ${vector.source}`, () => {
      const misses = checks[vector.id](vector).filter(({ given, wanted, within }) => {
        return !(Math.abs(given - wanted) <= within + 1e-9)
      })
      expect(misses).toEqual([])
    })
})
