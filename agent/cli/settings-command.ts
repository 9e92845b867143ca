import type { Command } from 'commander'
import { withBroker } from './send-command.js'
import type { PushOptions } from './stations-settings.js'

const afterHelp = `
The file holds the keys that are to change, or all settings of the station.
What names a program, file, port, user, secret, address or person cannot be set
from afar. The station runs on them at once, and goes back to the settings
before when its time is over, when it is restarted in any way, and when its own
file is edited; --confirm keeps them. Without file and --confirm it says which
settings are in force.`

export function addSettingsCommand(
  stations: Command,
  finish: (code: Promise<number>) => Promise<void>,
): void {
  withBroker(
    stations
      .command('settings <station> [file]')
      .description('push settings to a station, on trial until they are confirmed'),
  )
    .option('--alone', 'in place of what was pushed before; without it over that, key by key')
    .option('--confirm <id>', 'keep the settings that are on trial under this id')
    .addHelpText('after', afterHelp)
    .action(async (station: string, file: string | undefined, options: PushOptions) =>
      finish((await import('./stations-settings.js')).pushSettings(station, file, options)),
    )
}
