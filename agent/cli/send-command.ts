import type { Command } from 'commander'
import type { SendOptions } from './stations-send.js'

const needs = 'sent with the private key of an operator whose public key the station knows (motepost keys)'
const afterHelp = `
Commands:
  health                         a health message now
  resend [from=N to=N]           send these lines again, or what was refused
  richer hours=N                 measure more often for so long
  mute what=CODE|RULE|all hours=N
  acknowledge what=CODE|RULE
  sitelog kind=KIND ...          an entry, with keys as in its lines
  clean [instrument=NAME]        have a sensor blow its fan free
  restart                        start the agent anew
Settings have a command of their own: motepost stations settings.`

/** The way to a station, and who signs. */
export const withBroker = (command: Command): Command =>
  command
    .requiredOption('--broker <url>', 'mqtt://host:port or mqtts://host:port')
    .requiredOption('--group <name>', 'group of the station')
    .requiredOption('--key <file>', 'private Ed25519 key, PEM (openssl genpkey -algorithm ed25519)')
    .option('--username <name>', 'user at the broker')
    .option('--password-file <file>', 'file with its password')
    .option('--ca-file <file>', "PEM of the authority of the broker's certificate")
    .option('--protocol <number>', 'MQTT 5 or 4 (3.1.1)', '5')
    .option('--wait-minutes <minutes>', 'waits so long for the answer; after it the command is void', '90')
    .option('--json', 'the answer as it came')

export function addSendCommand(stations: Command, finish: (code: Promise<number>) => Promise<void>): void {
  withBroker(
    stations
      .command('send <station> <command> [details...]')
      .description(`have a station do something: ${needs}`),
  )
    .addHelpText('after', afterHelp)
    .action(async (station: string, what: string, details: string[], options: SendOptions) =>
      finish((await import('./stations-send.js')).send(station, what, details, options)),
    )
}
