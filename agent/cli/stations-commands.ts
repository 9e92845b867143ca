import { InvalidArgumentError, type Command } from 'commander'
import { withLimits } from './desk-commands.js'
import { figureKinds } from './figure-kinds.js'
import type { HttpPasswordOptions } from './http-password.js'
import type { StationsExplainOptions } from './stations-explain.js'
import type { StationsAveragesOptions, StationsExportOptions } from './stations-figures.js'
import type { RegisterOptions } from './stations-register.js'
import type { StationsStatusOptions } from './stations-status.js'

type Finish = (code: Promise<number>) => Promise<void>

const collected = (value: string, before: string[] = []): string[] => [...before, value]

const archiveOption = ['--archive <folder>', 'folder of the archive, as for collect'] as const

/** What is asked of an archive: how the stations stand, and what is noted of them. */
export function addArchiveCommands(stations: Command, finish: Finish): void {
  stations
    .command('status')
    .description('how every station stands, worst first, with the reason and the first thing to do')
    .requiredOption(...archiveOption)
    .option('--station <name>', 'only this one; may be given again', collected)
    .option('--watch', 'look again and again until Ctrl-C')
    .option('--every <s>', 'of --watch: so many seconds between two looks [10]', seconds)
    .option('--json', 'the same facts as JSON; exit code 1 where not all are well')
    .action(async (options: StationsStatusOptions) =>
      finish((await import('./stations-status.js')).stationsStatus(options)),
    )
  stations
    .command('register [station]')
    .description('show what is noted of the stations in register.yaml of the archive, or note more')
    .requiredOption(...archiveOption)
    .option('--name <text>', 'what people call it')
    .option('--latitude <degrees>', 'north; others see it rounded to 0.01 deg')
    .option('--longitude <degrees>', 'east; others see it rounded to 0.01 deg')
    .option('--height <metres>', 'of the inlet above the ground')
    .option('--source <name=deg>', 'what lies in which direction, also NAME=DEG,METRES; again', collected)
    .option('--deployed <words>', "'PLACE from 2026-03-01'")
    .option('--removed <day>', 'last day of the deployment that stands open')
    .option('--note <text>', 'for people; may be given again', collected)
    .option('--photo <file>', 'name of a photo; may be given again', collected)
    .option('--exact', 'show positions as they were noted')
    .option('--json', 'the same facts as JSON')
    .action(async (station: string | undefined, options: RegisterOptions) =>
      finish((await import('./stations-register.js')).stationsRegister(station, options)),
    )
  addFigures(stations, finish)
  stations
    .command('http-password <file>')
    .description('make a password for collect --http, show it once, and write its hash to a file')
    .option('--own', 'take the first line of standard input in place of a made one')
    .option('--force', 'write over a file that is there')
    .action(async (file: string, options: HttpPasswordOptions) =>
      finish((await import('./http-password.js')).httpPassword(file, options)),
    )
}

const withSpan = (command: Command): Command =>
  command
    .requiredOption(...archiveOption)
    .option('--channel <name>', 'a channel, or all; may be given again', collected)
    .option('--from <time>', 'first, as for averages')
    .option('--to <time>', 'not included; of a day the whole day')
    .option('--zone <zone>', "Region/City or +01:00 [as each station's store tells]")

function addFigures(stations: Command, finish: Finish): void {
  withSpan(stations.command('averages <station...>'))
    .description('averages of each of these stations, from the archive')
    .option('--ten-minutes', '10-min means in place of hours')
    .option('--detail', 'data capture by hour of day, and the command that explains each number')
    .option('--json', 'the same facts as JSON, a line for each store')
    .action(async (names: string[], options: StationsAveragesOptions) =>
      finish((await import('./stations-figures.js')).stationsAverages(names, options)),
    )
  withLimits(stations.command('explain <station> <figure> [when...]'))
    .description('one figure of a station, step by step, from the archive')
    .addHelpText('after', `\nFigures: ${Object.keys(figureKinds).join(', ')};\ntimes as for explain.`)
    .requiredOption(...archiveOption)
    .option('--channel <name>', 'the channel [the only mass]')
    .option('--unit <serial>', 'serial number of the unit, where it was changed')
    .option('--zone <zone>', "Region/City or +01:00 [as the station's store tells]")
    .option('--json', 'the same facts as JSON')
    .action(async (station: string, figure: string, when: string[], options: StationsExplainOptions) =>
      finish((await import('./stations-explain.js')).stationsExplain(station, figure, when, options)),
    )
  withSpan(stations.command('export <station...>'))
    .description('one CSV of all these stations, station and store in front of each row')
    .option('--of <what>', 'minutes, hours or days [hours]')
    .option('--decimal <mark>', 'point, or comma (cells are then divided by semicolons) [point]')
    .option('--out <file>', 'write there [standard output]')
    .option('--force', 'write over a file that is there')
    .action(async (names: string[], options: StationsExportOptions) =>
      finish((await import('./stations-figures.js')).stationsExport(names, options)),
    )
}

function seconds(text: string): number {
  const value = Number(text)
  if (value >= 1 && value <= 3600) return value
  throw new InvalidArgumentError('It must be a number of seconds from 1 to 3600.')
}
