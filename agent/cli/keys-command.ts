import type { Command } from 'commander'
import type * as Keys from './keys.js'
import type { RotateOptions } from './keys-rotate.js'

type Finish = (code: Promise<number>) => Promise<void>
type SettingsOption = readonly [flags: string, description: string, usual: string]
interface WithSettings {
  readonly settings: string
}

/** keys: fingerprints, and whose signature counts. */
export function addKeysCommand(program: Command, settingsOption: SettingsOption, finish: Finish): void {
  const keys = program
    .command('keys')
    .description('fingerprints of the station and its operators; a new key for the station')
  const given = async (run: (keys: typeof Keys) => number | Promise<number>): Promise<void> => {
    const module = await import('./keys.js')
    await finish(Promise.resolve(run(module)))
  }
  keys
    .command('show', { isDefault: true })
    .description('the fingerprints, of earlier keys too; no key is printed')
    .option(...settingsOption)
    .option('--json', 'the same facts as JSON')
    .action(({ settings, ...options }: WithSettings & { json?: boolean }) =>
      given(({ showKeys }) => showKeys(settings, options)),
    )
  keys
    .command('add-operator <name> <key>')
    .description("note an operator's public key (a file, or 64 hex digits) beside the settings")
    .requiredOption('--role <role>', 'reader, or operator')
    .option('--replace', 'in place of the key that the name has')
    .option(...settingsOption)
    .action((name: string, key: string, { settings, ...options }: WithSettings & Keys.AddOptions) =>
      given(({ addOperator }) => addOperator(settings, name, key, options)),
    )
  keys
    .command('rotate')
    .description('a new key signs for the station from now on, and the one before vouches for it')
    .option(
      '--to <key>',
      'hand over to a key that comes from outside: its public half, a file or 64 hex digits',
    )
    .option('--lost', 'the present key cannot be had: nobody vouches for the new one')
    .option('--json', 'the same facts as JSON')
    .option(...settingsOption)
    .action(async ({ settings, ...options }: WithSettings & RotateOptions) => {
      const { rotateStationKey } = await import('./keys-rotate.js')
      await finish(rotateStationKey(settings, options))
    })
  keys
    .command('remove-operator <name>')
    .description('take it away')
    .option(...settingsOption)
    .action((name: string, { settings }: WithSettings) =>
      given(({ removeOperator }) => removeOperator(settings, name)),
    )
}
