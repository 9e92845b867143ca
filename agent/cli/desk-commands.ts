import { InvalidArgumentError, type Command } from 'commander'
import type { AveragesOptions } from './averages.js'
import type { DeskOptions } from './desk.js'
import type { ExportOptions } from './export.js'
import type { TraceOptions } from './trace.js'

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

/** Commands that read a folder, on any system, while a station writes to it or long after. */
export function addDeskCommands(program: Command, finish: Finish): void {
  program.commandsGroup('At the desk')
  withStore(program.command('averages'))
    .description('hours, rolling 24 h and local-standard-time days, with what each figure stands on')
    .option('--channel <name>', 'a channel, or all; may be given again [the masses]', collected)
    .option(
      '--from <time>',
      "first: 2026-03-01, '2026-03-01 08:30' (local standard time) or 2026-03-01T07:30Z",
    )
    .option('--to <time>', 'not included; of a day the whole day')
    .option('--zone <zone>', 'Region/City or +01:00 [of the settings, or as the store tells]')
    .option('--ten-minutes', '10-min means in place of hours')
    .action(async (options: AveragesOptions) => finish((await import('./averages.js')).averages(options)))

  withStore(program.command('export'))
    .description('records, hours or days as CSV for spreadsheets, or as SenML')
    .option('--of <what>', 'minutes, hours or days [minutes]')
    .option('--format <name>', 'csv or senml (RFC 8428, JSON) [csv]')
    .option('--decimal <mark>', 'point, or comma (cells are then divided by semicolons) [point]')
    .option('--bom', 'mark the CSV as UTF-8, as some spreadsheets want it')
    .option('--out <file>', 'write there [standard output]')
    .option('--force', 'write over a file that is there')
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
    .description('look at every line: checksums, numbers, doubles, what was set aside')
    .action(async (options: DeskOptions) => finish((await import('./verify.js')).verify(options)))
}

function seqNumber(text: string): number {
  if (/^[1-9]\d{0,14}$/.test(text)) return Number(text)
  throw new InvalidArgumentError('It must be the number of a line, 1 or more.')
}
