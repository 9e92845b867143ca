import type { MonoSeconds } from '../terms/terms.js'
import { act, readerCommands } from './command-acts.js'
import { CommandWatch } from './command-watch.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Hooks, Parts } from './parts.js'

/** Commands over the link, where there is one and somebody's signature counts. */
export function makeCommands(
  { group, station }: StationOptions,
  { clock, commands }: StationPorts,
  { event, whenSafe, health }: Hooks,
  parts: () => Parts,
  { boot, uplink, inFlight, clock: stationClock }: Pick<Parts, 'boot' | 'uplink' | 'inFlight' | 'clock'>,
): CommandWatch | undefined {
  if (!uplink || !commands) return undefined
  const now = (): MonoSeconds => clock.mono()
  const acting = { parts, now, health, whenSafe, restart: commands.restart, settings: commands.settings }
  const watch = new CommandWatch(commands, {
    ...{ group, station, boot, event, whenSafe },
    mono: now,
    utcAt: (at) => stationClock.at(at),
    mayRead: (what) => readerCommands.has(what),
    act: (command, by) => act(acting, command, by),
    answer: (payload, place) => uplink.commands.answer(payload, place),
    heard: () => uplink.commands.heard,
    track: (work) => inFlight.track(work),
    after: (seconds) => clock.after(seconds),
  })
  uplink.commands.taker = watch
  return watch
}
