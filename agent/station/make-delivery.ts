import type { LinkWord } from '../delivery/delivery.js'
import type { MonoSeconds } from '../terms/terms.js'
import { dailyFacts } from './daily-facts.js'
import { DeliveryWatch } from './delivery-watch.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Hooks, Parts } from './parts.js'

/** A link that has had so long to come up, and is not there, is down. */
const downAfterSeconds = 300

type Around = Pick<Parts, 'boot' | 'clock' | 'faults' | 'gauges' | 'uplink' | 'modem' | 'averages' | 'energy'>

/** Who tells people, where the settings name any. */
export function makeDelivery(
  { station, group, telling, rules, troubles = [] }: StationOptions,
  ports: StationPorts,
  hooks: Hooks,
  around: Around,
): DeliveryWatch | undefined {
  if (!telling || !ports.telling) return undefined
  const { boot, clock, faults, uplink, modem, energy } = around
  const mono = () => ports.clock.mono()
  return new DeliveryWatch(telling, ports.telling, {
    station,
    group,
    storeId: ports.store.storeId,
    boot,
    mono,
    utcAt: (at) => clock.at(at),
    event: hooks.event,
    whenSafe: hooks.whenSafe,
    faults,
    rules: new Set([...rules, ...troubles].map(({ rule }) => rule)),
    dailyFacts: () => dailyFacts(around, hooks.end()),
    modem,
    step: () => energy?.ports.plan.step,
    link: (now) => linkWord(around, now),
    mayCostBytes: () => {
      const { budget_kb: most = Infinity, last_24_h_kb: spent = 0 } = uplink?.status(mono()).budget ?? {}
      return spent < most
    },
  })
}

function linkWord({ uplink, modem }: Around, now: MonoSeconds): LinkWord {
  if (!uplink) return 'not used'
  const { state, for_s } = uplink.status(now)
  if (state === 'connected') return 'up'
  return Math.min(for_s, modem?.onFor(now) ?? Infinity) >= downAfterSeconds ? 'down' : 'not used'
}
