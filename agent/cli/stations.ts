import type { Command } from 'commander'
import type { BrokerConfigOptions } from './broker-config.js'
import { addArchiveCommands } from './stations-commands.js'
import { addSendCommand } from './send-command.js'
import { addSettingsCommand } from './settings-command.js'

type Finish = (code: Promise<number>) => Promise<void>

/** stations: what concerns the stations of a group together. */
export function addStationsCommand(program: Command, finish: Finish): void {
  const stations = program
    .command('stations')
    .description('the stations of a group and their broker')
    // Beside the whole usage of a command there is no room for its words.
    .configureHelp({ subcommandTerm: (command) => command.name() })
  addArchiveCommands(stations, finish)
  addSendCommand(stations, finish)
  addSettingsCommand(stations, finish)
  stations
    .command('broker-config <folder>')
    .description(
      'write configuration for mosquitto: TLS, a user a station, who may say and hear what, limits',
    )
    .option('--group <name>', 'group of the stations')
    .option(
      '--host <name...>',
      'name or address by which they reach the broker; the first goes into their settings',
    )
    .option('--station <name...>', 'stations to let in; those of earlier calls stay')
    .option('--port <number>', 'port for TLS [8883]')
    .option('--at <folder>', 'where the files will stand at the broker [/etc/mosquitto/motepost]')
    .option('--json', 'what was written, as JSON; without secrets')
    .addHelpText('after', '\nA second call needs only what is new. Certificates are made by openssl.')
    .action(async (folder: string, options: BrokerConfigOptions) => {
      const { brokerConfig } = await import('./broker-config.js')
      await finish(Promise.resolve(brokerConfig(folder, options, new Date())))
    })
  stations
    .command('revoke <folder> <station>')
    .description('take the way in at the broker from a station, from _collector or from _operator')
    .action(async (folder: string, user: string) => {
      const { revoke } = await import('./broker-config.js')
      await finish(Promise.resolve(revoke(folder, user)))
    })
}
