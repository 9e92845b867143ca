#!/usr/bin/env node
import { Command, InvalidArgumentError } from 'commander'
import type { CheckOptions } from './check.js'
import type { CollectOptions } from './collect.js'
import { addCompareCommands } from './compare-commands.js'
import type { DemoOptions } from './demo.js'
import { addDeskCommands } from './desk-commands.js'
import { allowGoneReaders, finish, finishRun } from './finish.js'
import { addKeysCommand } from './keys-command.js'
import type { ListenOptions } from './listen.js'
import type { SetupOptions } from './setup.js'
import { addSolarCommand } from './solar-command.js'
import { addStationsCommand } from './stations.js'
import { version } from './package-root.js'
import { addSiteCommands } from './site-commands.js'
import { prepareApart } from './prepare-apart.js'

/** Exit codes everywhere: 0 fine, 1 found a problem, 2 wrong use. */
const program = new Command('motepost')
  .description('Low-power logger for optical particle sensors at unattended sites.')
  .version(version)
  .exitOverride((error) => process.exit(error.exitCode === 0 ? 0 : 2))
  .showHelpAfterError('(motepost --help lists the commands)')

const settingsOption = ['-s, --settings <file>', 'settings file', '/etc/motepost/station.yaml'] as const

program.commandsGroup('Set up')
program
  .command('setup')
  .description('find out what is connected, ask the little that is left, and write a settings file')
  .option(...settingsOption)
  .option('--force', 'write the file anew although it is there')
  .option('--yes', 'ask nothing; take what is found and the usual answers')
  .option('--name <name>', 'name of the station')
  .option('--group <name>', 'group of stations it belongs to')
  .option('--zone <name>', 'time zone by its IANA name; by default that of the board')
  .option('--port <port...>', 'look only there; by default at every serial port of the board')
  .option('--layout <name>', 'what is at the port, where it cannot be listened to')
  .option('--data <folder>', 'folder of the records', '/var/lib/motepost')
  .option('--broker <url>', 'mqtt://host:port or mqtts://host:port, or none')
  .option('--solar', 'it runs from a battery or the sun')
  .option('--seconds <s>', 'listen so long at each speed', Number)
  .option('--sys <folder>', 'where the files of the kernel stand', '/sys')
  .action(async (options: SetupOptions) => finish((await import('./setup.js')).setup(options)))

program
  .command('check')
  .description('check a settings file, of a station or a collector, and what it names')
  .option(...settingsOption)
  .option('--effective', 'print the settings with every default filled in')
  .option('--json', 'the same facts as JSON')
  .option(
    '--try-wake',
    'end the board, to wake three minutes later by its wake path; the next check says whether it did',
  )
  .action(async (options: CheckOptions & { settings: string }) =>
    finish((await import('./check.js')).check(options.settings, options)),
  )

program
  .command('listen <port>')
  .description('find out what speaks on a port, and print its settings lines')
  .option('--baud <speed>', 'only this speed', Number)
  .option('--seconds <s>', 'listen so long at each speed', Number)
  .option('--layout <name>', 'only this layout')
  .option('--record <file>', 'keep what was heard as a recording')
  .option('--json', 'the same facts as JSON')
  .action(async (port: string, options: ListenOptions) =>
    finish((await import('./listen.js')).listen(port, options)),
  )

addSolarCommand(program, finish)
addKeysCommand(program, settingsOption, finish)

program.commandsGroup('At the site')
program
  .command('run')
  .description('run the station until it is told to stop')
  .option(...settingsOption)
  .action(async ({ settings }: { settings: string }) => {
    // The settings are read while the station's code is loaded.
    const preparing = prepareApart(settings)
    await finishRun((await import('./run.js')).run(settings, preparing))
  })

addSiteCommands(program, settingsOption, finish)

addDeskCommands(program, finish)
addCompareCommands(program, finish)

program.commandsGroup('Many stations')
program
  .command('collect')
  .description('receive the packs of a group into an archive and give receipts')
  .option('-s, --settings <file>', 'settings of the collector: group, archive, broker, and who is told')
  .option('--archive <folder>', 'folder of the archive')
  .option('--broker <url>', 'mqtt://host:port or mqtts://host:port')
  .option('--group <name>', 'group of stations')
  .option(
    '--take <folder>',
    'take the lines of a stick or card into the archive instead, also while a collector runs',
  )
  .option('--json', 'of --take: what was taken, as JSON')
  .option('--username <name>', 'user at the broker')
  .option('--password-file <file>', 'file with the password')
  .option('--ca-file <file>', 'certificate that vouches for the broker')
  .option('--protocol <version>', '5, or 4 for brokers that only know MQTT 3.1.1', '5')
  .option('--http <address:port>', 'let programs read there how stations stand, averages, records, metrics')
  .option('--http-password-file <file>', 'of stations http-password; needed where others reach the address')
  .action(async (options: Record<string, string>) =>
    finish((await import('./collect.js')).collect(options as unknown as CollectOptions)),
  )

addStationsCommand(program, finish)

program.commandsGroup('Try')
program
  .command('demo')
  .description('three made stations through two days in about a minute, with proof; invented data')
  .option('--keep <folder>', 'keep the made files there')
  .option('--exit', 'remove temporary files at once, without waiting for Enter')
  .option('--seed <number>', 'another chance: other weather, lorries and noise', wholeNumber)
  .action(async (options: DemoOptions) => finish((await import('./demo.js')).demo(options)))

function wholeNumber(text: string): number {
  const number = Number(text)
  if (/^\d{1,9}$/.test(text)) return number
  throw new InvalidArgumentError('It must be a whole number of at most nine digits.')
}

allowGoneReaders()
await program.parseAsync()
