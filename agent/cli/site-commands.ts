import { InvalidArgumentError, Option, type Command } from 'commander'
import { addAlertsCommand } from './alerts-command.js'
import type { BundleOptions } from './bundle.js'
import type { CopyOptions } from './copy.js'
import type { GivenEntry, Output } from './sitelog.js'
import type { SetClockOptions } from './set-clock.js'
import type { StatusOptions } from './status.js'
import type { VisitOptions } from './visit.js'

type Finish = (code: Promise<number>) => Promise<void>
type SettingsOption = readonly [flags: string, description: string, usual: string]
type WithSettings = { readonly settings: string }

type StatusWords = StatusOptions & Partial<SetClockOptions> & Partial<BundleOptions>

/** status, visit and sitelog: what somebody does who stands beside the station. */
export function addSiteCommands(program: Command, settingsOption: SettingsOption, finish: Finish): void {
  program
    .command('status')
    .description('how the running station is: values, what does not count and why, averages, alerts, link')
    .option(...settingsOption)
    .option('-w, --watch', 'again and again until Ctrl-C')
    .option('--every <s>', 'seconds between two looks of --watch', seconds)
    .option('--set-clock <time>', 'tell a station that does not know the time what it is; see below')
    .option('--clock-error <s>', 'how far that time may be off, 1 to 600', clockError)
    .option('--confirm', 'it is right, whatever the store or another source says')
    .addOption(
      new Option(
        '--bundle [file]',
        'write one file for somebody who helps: plain text, without secrets',
      ).conflicts(['watch', 'every', 'setClock']),
    )
    .option('--json', 'the same facts as JSON')
    .addHelpText('after', setClockHelp)
    .action(async ({ settings, ...options }: WithSettings & StatusWords) => {
      const { setClock, bundle } = options
      if (bundle !== undefined)
        return finish((await import('./bundle.js')).writeBundle(settings, { ...options, bundle }))
      if (setClock !== undefined)
        return finish((await import('./set-clock.js')).setClock(settings, { ...options, setClock }))
      return finish((await import('./status.js')).status(settings, options))
    })
  program
    .command('resend')
    .description('send again the lines that the broker did not take')
    .option(...settingsOption)
    .action(async ({ settings }: WithSettings) => finish((await import('./resend.js')).resend(settings)))
  addAlertsCommand(program, settingsOption, finish)
  addCopy(program, finish)
  addVisit(program, settingsOption, finish)
  addSitelog(program.command('sitelog').description('what people did at the station'), settingsOption, finish)
}

function addCopy(program: Command, finish: Finish): void {
  program
    .command('copy <to>')
    .description(
      'the records to a stick while the station writes on: only what is new, read back, told when done',
    )
    .option('--store <folder>', 'the store to copy [the folder of the settings]')
    .option('--store-id <id>', 'which of several stores: its id, the beginning of it, or the station')
    .option('-s, --settings <file>', 'settings file that names the folder')
    .option('--json', 'the same facts as JSON')
    .action(async (to: string, options: CopyOptions) => finish((await import('./copy.js')).copy(to, options)))
}

const setClockHelp = `
Telling the time: the station's own UTC follows what it is told, where no
better source contradicts; the clock of the board is never set. From a laptop
or phone whose clock is right, so that its time and not the board's is given:
  ssh STATION motepost status --set-clock "$(date -u +%FT%TZ)"
or by hand, as the clocks of the place show it:
  motepost status --set-clock '2026-03-01 08:30'`

function clockError(text: string): number {
  const value = Number(text)
  if (value >= 1 && value <= 600) return value
  throw new InvalidArgumentError('It must be a number of seconds from 1 to 600.')
}

const timeWords =
  "local time of the place ('08:30', 'yesterday 08:30', '2026-03-01 08:30'), UTC with Z, or 'now'"

function addVisit(program: Command, settingsOption: SettingsOption, finish: Finish): void {
  const visit = program.command('visit').description('somebody is at the station: readings do not count')
  for (const what of ['start', 'end'] as const)
    visit
      .command(what)
      .description(
        what === 'start' ? 'before touching anything' : 'when leaving; after 60 min it ends by itself',
      )
      .option(...settingsOption)
      .option('--who <name>', 'name or initials')
      .option('--note <text>', 'a note')
      .option('--from <time>', `when it was, if not now: ${timeWords}`)
      .option('--json', 'the answer as JSON')
      .action(async ({ settings, ...options }: WithSettings & VisitOptions) =>
        finish((await import('./visit.js')).visit(settings, what, options)),
      )
}

/** Options and the keys they stand for. */
const entryOptions: readonly (readonly [flags: string, key: string, words: string])[] = [
  ['--who <name>', 'who', 'name or initials'],
  ['--note <text>', 'note', 'a note'],
  ['--slot <slot>', 'slot', 'which sensor, where there are several'],
  ['--from <time>', 'from', timeWords],
  ['--to <time>', 'to', 'end of a span, written the same way'],
  ['--effect <effect>', 'effect', 'none, mark or exclude: what it does to readings of its time'],
  ['--place <name>', 'place', 'set-up, moved: your name of the place'],
  ['--old-serial <serial>', 'old_serial', 'swapped: the unit that came out'],
  ['--new-serial <serial>', 'new_serial', 'swapped, set-up: the unit that went in'],
  ['--name <name>', 'name', 'excluded: name of the span'],
  ['--reason <text>', 'reason', 'excluded: why'],
  ['--result <result>', 'result', 'zero-check by hand: pass, repeat, fail or not-enough-data'],
  ['--offset <ug/m3>', 'offset_ug_m3', 'zero-check by hand: mean in filtered air'],
  ['--corrects <number>', 'corrects', 'correction: number of the entry that was wrong'],
  ['--withdraw', 'withdraw', 'correction: it never happened'],
  ['--why <text>', 'why', 'correction: why'],
]

const kindsHelp = `
Kinds:
  set-up              the station stands at its place (--place); removed: it was taken away
  visit-start, visit-end     as the command visit
  inlet-cleaned       the inlet or sensor was cleaned
  zero-check-start    a filter is on the inlet: after 10 min the station works out the result
  swapped             a unit came out, another went in (--old-serial, --new-serial)
  moved               the station or its inlet stands elsewhere (--place)
  observed            anything worth remembering (--note)
  excluded            a span that does not count (--from, --to, --name, --reason)
  correction          an earlier entry was wrong (--corrects, and --withdraw or what changes)`

function addSitelog(sitelog: Command, settingsOption: SettingsOption, finish: Finish): void {
  const add = sitelog
    .command('add <kind>')
    .description('write an entry; what was written stays, a correction is a further entry')
    .option(...settingsOption)
    .option('--json', 'the answer as JSON')
    .addHelpText('after', kindsHelp)
  for (const [flags, , words] of entryOptions) add.option(flags, words)
  add.action(async (kind: string, options: WithSettings & Output & Record<string, string | boolean>) =>
    finish((await import('./sitelog.js')).addEntry(options.settings, entryOf(kind, options), options)),
  )
  sitelog
    .command('list')
    .description('entries, units, deployments, and the facts of the place')
    .option(...settingsOption)
    .option('--json', 'the same as JSON')
    .action(async ({ settings, ...output }: WithSettings & Output) =>
      finish((await import('./sitelog.js')).listEntries(settings, output)),
    )
}

function entryOf(kind: string, options: Readonly<Record<string, unknown>>): GivenEntry {
  const entry: Record<string, string> = { kind }
  for (const [flags, key] of entryOptions) {
    const name = flags
      .split(' ')[0]
      .slice(2)
      .replace(/-(.)/g, (_, letter: string) => letter.toUpperCase())
    const value = options[name]
    if (value !== undefined) entry[key] = value === true ? 'yes' : String(value)
  }
  return entry
}

function seconds(text: string): number {
  const value = Number(text)
  if (value >= 0.2 && value <= 3600) return value
  throw new InvalidArgumentError('It must be a number of seconds from 0.2 to 3600.')
}
