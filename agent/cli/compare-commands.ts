import { Option, type Command } from 'commander'
import type { BeforeAfterOptions } from './before-after.js'
import type { CollocateOptions } from './collocate.js'
import type { ImportOptions } from './import-plan.js'

type Finish = (code: Promise<number>) => Promise<void>

const listed = (value: string, before: string[] = []): string[] => [...before, ...value.split(',')]
const repeated = (value: string, before: string[] = []): string[] => [...before, value]

/** Commands that bring in figures from elsewhere and compare series with each other. */
export function addCompareCommands(program: Command, finish: Finish): void {
  program
    .command('import <file>')
    .description('a log of another make, or hourly reference data, into a series file to compare with')
    .requiredOption('--into <folder>', 'folder of the series file')
    .option('--name <name>', 'name of the series [of the file]')
    .option('--map <channel=column>', 'which column is which channel; again for more [by its name]', listed)
    .option('--units <channel=unit>', 'unit in the file: pm10=mg/m3 [as its headings say, or ours]', listed)
    .option('--where <column=value>', 'only rows with this in that column; again for more', repeated)
    .option('--time <columns>', 'column of the time, or several that make it up: year,month,day,hour')
    .option('--time-format <format>', "'DD.MM.YYYY HH:mm', with MMM, YY, A and Z; unix; unix-ms [year first]")
    .option('--zone <zone>', 'of times that do not say: Region/City as its clocks go, or +01:00')
    .option('--label <which>', 'times name start or end of each row; must be said of hours')
    .option('--step <seconds>', 'what a row stands for [the usual gap]')
    .option('--serial <number>', 'serial number of the unit, so that its correction can be applied')
    .option('--scaling <name>', 'of the masses: atmospheric or standard-particle [not known]')
    .option('--inferred <channel>', 'inferred from smaller particles [pm4 and pm10 of a sensor]', listed)
    .option('--measured <channel>', 'measured by the sensor, not inferred: pm10', listed)
    .option('--instrument <kind>', 'sensor, or reference: without the ±50 % of a sensor [sensor]')
    .option('--uncertainty <percent>', 'of a reference [none: verdicts by arithmetic only]')
    .option('--missing <word>', 'a further word for no value; may be given again', listed)
    .option('--decimal <mark>', 'point or comma [point]')
    .option('--delimiter <mark>', 'comma, semicolon, tab, pipe or blank [what the headings show]')
    .addOption(new Option('--no-header', 'no headings: columns are called 1, 2, 3'))
    .option(
      '--events',
      'the file is an activity log (blasts, trucks, mowing): start, end or minutes, kind, words',
    )
    .option('--end-time <columns>', 'of an activity log: column of the end, or several that make it up')
    .option('--force', 'write over a series file that is there')
    .option('--json', 'the same facts as JSON')
    .action(async (file: string, options: ImportOptions) =>
      finish((await import('./import.js')).importLog(file, options)),
    )

  program
    .command('collocate')
    .description('units that stood beside a reference: agreement, targets, lag and a correction')
    .requiredOption('--unit <place>', 'store, archive or series file; again for more', repeated)
    .requiredOption('--reference <place>', 'series file (motepost import) or store')
    .option('--channel <name>', 'pm1, pm2_5, pm4 or pm10, with its slot where one is meant [pm2_5]')
    .option('--reference-channel <name>', 'of the reference, where it is another')
    .option('--store-id <id>', 'which of several stores: its id, the beginning of it, or the station')
    .option('--zone <zone>', 'Region/City or +01:00 [of the reference]')
    .option('--from <time>', 'first day of the run')
    .option('--to <time>', 'last day of the run')
    .option('--seed <number>', 'another chance for the intervals [1]')
    .option(
      '--form <name>',
      'of the correction: linear, humidity (linear with it), growth (hygroscopic) [linear]',
    )
    .option('--humidity <place>', 'store or series file that holds the humidity [the unit itself]')
    .option('--humidity-channel <name>', 'humidity, with its slot where one is meant')
    .option(
      '--previous <file>',
      'correction file of an earlier run: shows drift; again for more units',
      repeated,
    )
    .option('--apply <which>', 'of both runs: first, last, or linear (between them by time) [linear]')
    .option('--levels <readings>', 'µg/m³ at which drift is told [10,35,75]')
    .option('--write <file>', 'write the correction there; of several units one each, into that folder')
    .option('--serial <number>', 'of the units in their order, where no site log says them', listed)
    .option('--svg <folder>', 'draw scatter and time there')
    .option('--force', 'write over a file that is there')
    .option('--csv', 'the table of units as CSV')
    .option('--json', 'the same facts as JSON')
    .action(async (options: CollocateOptions) => finish((await import('./collocate.js')).collocate(options)))

  program
    .command('before-after')
    .description('what changed with something that was done, beyond the background')
    .requiredOption('--of <place>', 'store or series file')
    .requiredOption('--at <time>', 'when it was done; a day counts from its midnight')
    .option('--until <time>', 'when it was finished; what lies between is left out [at once]')
    .option('--background <place>', 'another station or an agency series: the difference to it is compared')
    .option('--channel <name>', 'pm1, pm2_5, pm4 or pm10, with its slot where one is meant [pm2_5]')
    .option('--background-channel <name>', 'of the background, where it is another')
    .option('--store-id <id>', 'which of several stores: its id, the beginning of it, or the station')
    .option('--zone <zone>', 'Region/City or +01:00 [of the store or series]')
    .option('--from <time>', 'first day to compare')
    .option('--to <time>', 'last day to compare')
    .option('--seed <number>', 'another chance for the interval [1]')
    .option('--humidity <place>', 'store or series file that holds the humidity [the series itself]')
    .option('--humidity-channel <name>', 'humidity, with its slot where one is meant')
    .option('--events <file>', 'what was going on (motepost import --events): hours with it and without')
    .option('--svg <folder>', 'draw days and hours there')
    .option('--force', 'write over a drawing that is there')
    .option('--detail', 'what the sentence stands on')
    .option('--csv', 'the figures as CSV')
    .option('--json', 'the same facts as JSON')
    .action(async (options: BeforeAfterOptions) =>
      finish((await import('./before-after.js')).beforeAfter(options)),
    )
}
