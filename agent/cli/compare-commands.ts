import { Option, type Command } from 'commander'
import type { ImportOptions } from './import-plan.js'

type Finish = (code: Promise<number>) => Promise<void>

const collected = (value: string, before: string[] = []): string[] => [...before, ...value.split(',')]

/** Commands that bring in figures from elsewhere and compare series with each other. */
export function addCompareCommands(program: Command, finish: Finish): void {
  program
    .command('import <file>')
    .description('a log of another make, or hourly reference data, into a series file to compare with')
    .requiredOption('--into <folder>', 'folder of the series file')
    .option('--name <name>', 'name of the series [of the file]')
    .option(
      '--map <channel=column>',
      'which column is which channel; again for more [by its name]',
      collected,
    )
    .option('--units <channel=unit>', 'unit in the file, where it is not ours: pm10=mg/m3', collected)
    .option('--time <columns>', 'column of the time, or several that make it up: year,month,day,hour')
    .option('--time-format <format>', "'DD.MM.YYYY HH:mm', with A and Z; unix; unix-ms [year first]")
    .option('--zone <zone>', 'of times that do not say: Region/City as its clocks go, or +01:00')
    .option('--label <which>', 'times name start or end of each row; must be said of hours')
    .option('--step <seconds>', 'what a row stands for [the usual gap]')
    .option('--missing <word>', 'a further word for no value; may be given again', collected)
    .option('--decimal <mark>', 'point or comma [point]')
    .option('--delimiter <mark>', 'comma, semicolon, tab or blank [what the headings show]')
    .addOption(new Option('--no-header', 'no headings: columns are called 1, 2, 3'))
    .option('--force', 'write over a series file that is there')
    .option('--json', 'the same facts as JSON')
    .action(async (file: string, options: ImportOptions) =>
      finish((await import('./import.js')).importLog(file, options)),
    )
}
