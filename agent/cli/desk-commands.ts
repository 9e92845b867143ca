import { InvalidArgumentError, type Command } from 'commander'
import type { AveragesOptions } from './averages.js'
import type { ExportOptions } from './export.js'
import type { EpisodesOptions } from './episodes.js'
import type { ExplainOptions } from './explain.js'
import { figureKinds } from './figure-kinds.js'
import type { TraceOptions } from './trace.js'
import type { VerifyOptions } from './verify.js'

type Finish = (code: Promise<number>) => Promise<void>

const collected = (value: string, before: string[] = []): string[] => [...before, value]

/** What every command at the desk takes. */
const withStore = (command: Command): Command =>
  command
    .option(
      '--store <folder>',
      "a station's store, a collector's archive, or a copy [the folder of the settings]",
    )
    .option('--store-id <id>', 'which of several stores: its id, the beginning of it, or the station')
    .option('-s, --settings <file>', 'settings file that names folder and zone')
    .option('--json', 'the same facts as JSON')

/** What figures are set beside. */
export const withLimits = (command: Command): Command =>
  command
    .option('--limits <set>', 'a set in config/limits beside the WHO 24-hour guideline [of the settings]')
    .option('--own-limits <file>', 'a YAML list of own action levels [of the settings]')
    .option('--correction <file>', 'a correction of collocate; again for another unit', collected)

/** Commands that read a folder, on any system, while a station writes to it or long after. */
export function addDeskCommands(program: Command, finish: Finish): void {
  program.commandsGroup('At the desk')
  withLimits(withStore(program.command('averages')))
    .description('hours, rolling 24 h, days and years, what each figure stands on, and limits beside them')
    .option('--channel <name>', 'a channel, or all; may be given again [the masses]', collected)
    .option(
      '--from <time>',
      "first: 2026-03-01, '2026-03-01 08:30' (local standard time) or 2026-03-01T07:30Z",
    )
    .option('--to <time>', 'not included; of a day the whole day')
    .option('--zone <zone>', 'Region/City or +01:00 [of the settings, or as the store tells]')
    .option('--ten-minutes', '10-min means in place of hours')
    .option('--years', 'calendar years beside the limits that know one')
    .option('--detail', 'data capture by hour of day, and the command that explains each number')
    .action(async (options: AveragesOptions) => finish((await import('./averages.js')).averages(options)))

  withLimits(withStore(program.command('explain').argument('<figure>', 'which figure')))
    .argument('[when...]', 'its time, as averages writes it; of days and span also the end')
    .description('one figure, step by step and row by row, down to the numbers of its lines')
    .addHelpText('after', figureHelp)
    .option('--channel <name>', 'the channel [the only mass]')
    .option('--unit <serial>', 'serial number of the unit, where it was changed')
    .option('--until <time>', 'of change, as before-after has it; so the options below')
    .option('--background <place>', 'of change')
    .option('--background-channel <name>', 'of change')
    .option('--from <time>', 'of change')
    .option('--to <time>', 'of change')
    .option('--seed <number>', 'of change')
    .option('--events <file>', 'of change')
    .option('--humidity <place>', 'of change')
    .option('--humidity-channel <name>', 'of change')
    .option('--zone <zone>', 'Region/City or +01:00 [of the settings, or as the store tells]')
    .action(async (figure: string, when: string[], options: ExplainOptions) =>
      finish((await import('./explain.js')).explain(figure, when, options)),
    )

  withStore(program.command('episodes'))
    .description('runs of hours above a value, a percentile or a limit, with what else is known of them')
    .option('--above <value>', 'hours above this, in the unit of the channel')
    .option('--percentile <percent>', 'hours above this percentile of the hours of the span [95]')
    .option(
      '--limit <set>',
      'hours above the 24-hour level of a set in config/limits, or of one limit by its id',
    )
    .option('--own-limits <file>', 'a YAML list of own action levels, for --limit [of the settings]')
    .option('--gap <hours>', 'so many hours without a figure are bridged inside an episode [1]')
    .option('--least <hours>', 'shorter runs are left out [1]')
    .option('--events <file>', 'an activity log that import --events made')
    .option('--channel <name>', 'a channel; may be given again [the masses]', collected)
    .option('--from <time>', 'first, as for averages')
    .option('--to <time>', 'not included; of a day the whole day')
    .option('--zone <zone>', 'Region/City or +01:00 [of the settings, or as the store tells]')
    .option('--csv <file>', 'write them there as CSV too')
    .option('--force', 'write over a file that is there')
    .option('--detail', 'the command that explains each number')
    .action(async (options: EpisodesOptions) => finish((await import('./episodes.js')).episodes(options)))

  withStore(program.command('export'))
    .description('records, hours or days as CSV for spreadsheets, or as SenML')
    .option(
      '--of <what>',
      'minutes, hours, days, or hand-over: hours with a data dictionary beside [minutes]',
    )
    .option('--format <name>', 'csv or senml (RFC 8428, JSON) [csv]')
    .option('--decimal <mark>', 'point, or comma (cells are then divided by semicolons) [point]')
    .option('--bom', 'mark the CSV as UTF-8, as some spreadsheets want it')
    .option('--out <file>', 'write there [standard output]')
    .option('--force', 'write over a file that is there')
    .option(
      '--correction <file>',
      'of hand-over: a correction of collocate; again for another unit',
      collected,
    )
    .option(
      '--channel <name>',
      'a channel, or all; may be given again [of minutes all, else the masses]',
      collected,
    )
    .option('--from <time>', 'first, as for averages')
    .option('--to <time>', 'not included; of a day the whole day')
    .option('--zone <zone>', 'Region/City or +01:00 [of the settings, or as the store tells]')
    .action(async (options: ExportOptions) => finish((await import('./export.js')).exportData(options)))

  withStore(program.command('trace').argument('<number>', 'number of the line', seqNumber))
    .description('one line from its bytes to its receipt')
    .option('--zone <zone>', 'Region/City or +01:00 [of the settings, or as the store tells]')
    .action(async (seq: number, options: TraceOptions) =>
      finish((await import('./trace.js')).trace(seq, options)),
    )

  withStore(program.command('verify'))
    .description('look at every row, number, seal and signature of a store, an archive or a copy')
    .option('--key <key>', "the station's public key as status shows it: fingerprint, or a file with the key")
    .option(
      '--last <number>',
      'the highest number that is known to exist, so that a cut-off end shows',
      seqNumber,
    )
    .action(async (options: VerifyOptions) => finish((await import('./verify.js')).verify(options)))
}

const figureHelp =
  '\nFigures:\n' +
  Object.entries(figureKinds)
    .map(([kind, words]) => `  ${kind.padEnd(12)}  ${words}\n`)
    .join('') +
  '  change        the numbers of before-after, by when it was done (--at)\n' +
  '  again         all numbers that a text with --detail names: a file, or -\n'

function seqNumber(text: string): number {
  if (/^[1-9]\d{0,14}$/.test(text)) return Number(text)
  throw new InvalidArgumentError('It must be the number of a line, 1 or more.')
}
