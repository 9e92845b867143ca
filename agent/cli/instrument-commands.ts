import { command, type CommandName, type Layout } from '../instruments/instruments.js'
import type { InstrumentSettings } from '../settings/settings.js'
import { bad, done, type Outcome } from '../terms/terms.js'

/** Which commands a station sends to an instrument, by its settings and its layout. */

const modeOf = (settings: InstrumentSettings, layout: Layout): 'active' | 'polled' =>
  settings.mode ?? layout.mode

/** What the settings ask of the layout and it does not have; fault: layout-invalid. */
export function hasItsCommands(settings: InstrumentSettings, layout: Layout): Outcome<void> {
  const mode = modeOf(settings, layout)
  const wanted: [CommandName, string][] = []
  if (mode === 'polled') wanted.push(['read', 'mode: polled'])
  if (mode === 'active' && layout.mode === 'polled') wanted.push(['active', 'mode: active'])
  if (settings.sleepOnStop) wanted.push(['sleep', 'sleep_on_stop'])
  if (settings.cleanEveryHours !== undefined) wanted.push(['clean', 'clean_every_h'])
  const missing = wanted.find(([name]) => !layout.commands[name])
  if (!missing) return done
  return bad('layout-invalid', `${layout.name} has no command '${missing[0]}', which ${missing[1]} needs`)
}

/** The bytes of the commands; those that neither exist nor are wanted are absent. */
export function commandsOf(settings: InstrumentSettings, layout: Layout) {
  const { cleanEveryHours, sleepOnStop } = settings
  const clean = cleanEveryHours === undefined ? undefined : command(layout, 'clean')
  return {
    wake: wakingBytes(settings, layout),
    ask: modeOf(settings, layout) === 'polled' ? command(layout, 'read') : undefined,
    sleep: sleepOnStop ? command(layout, 'sleep') : undefined,
    clean: clean && { bytes: clean, everySeconds: cleanEveryHours! * 3600 },
  }
}

/** Wakes a sensor that sleeps, and puts it into the mode wanted whatever another program left; undefined where nothing can. */
function wakingBytes(settings: InstrumentSettings, layout: Layout): Uint8Array | undefined {
  const mode = modeOf(settings, layout)
  const names: CommandName[] =
    layout.mode === 'polled' ? ['start'] : ['wake', mode === 'polled' ? 'passive' : 'active']
  const bytes = names.flatMap((name) => [...(command(layout, name) ?? [])])
  return bytes.length > 0 ? Uint8Array.from(bytes) : undefined
}
