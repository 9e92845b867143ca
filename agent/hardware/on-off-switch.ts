import { done, type OnOffSwitch } from '../terms/terms.js'
import { commandSwitch } from './power-switch.js'

type Words = readonly string[]
const split = ([program, ...words]: Words): readonly [string, ...string[]] => [program, ...words]

/** A supply that two of the owner's commands give and take. The newest wish is carried out last, one after the other. */
export function onOffSwitch(on: Words, off: Words, limitSeconds: number): OnOffSwitch {
  const give = commandSwitch(split(on), limitSeconds, 'sensor-switch-failed')
  const take = commandSwitch(split(off), limitSeconds, 'sensor-switch-failed')
  let before: Promise<unknown> = Promise.resolve(done)
  return {
    name: on[0],
    set: (wanted) => {
      const run = before.then(() => (wanted ? give : take).cycle())
      before = run
      return run
    },
  }
}
