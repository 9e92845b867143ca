import { InvalidArgumentError, type Command } from 'commander'
import type { AlertsOptions } from './alerts.js'

type Finish = (code: Promise<number>) => Promise<void>

/** The command at the site that shows who was told of what, and mutes. */
export function addAlertsCommand(
  program: Command,
  settingsOption: readonly [string, string, string],
  finish: Finish,
): void {
  program
    .command('alerts')
    .description('states of the rules, who was told, what waits; acknowledge, mute, send a test message')
    .option(...settingsOption)
    .option('--acknowledge <code>', 'code of the message, or name of the rule')
    .option('--mute <code>', 'code, rule, or all: nobody is told of it')
    .option('--for <hours>', 'how long, 0 to 168; 0 ends a mute [8]', hours)
    .option('--send-test <recipient>', 'one message now by each way of this recipient')
    .option('--history', 'what was raised, told, acknowledged and muted, from the store')
    .option('--store <folder>', 'of --history: a store, an archive or a copy, without a station')
    .option('--store-id <id>', 'which of several stores: its id, the beginning of it, or the station')
    .option('--archive <folder>', 'ask the running collector of this archive, not a station')
    .option('--json', 'the same facts as JSON')
    .action(async (options: AlertsOptions) => finish((await import('./alerts.js')).alerts(options)))
}

function hours(text: string): number {
  const value = Number(text)
  if (text.trim() !== '' && value >= 0 && value <= 168) return value
  throw new InvalidArgumentError('It must be a number of hours from 0 to 168.')
}
