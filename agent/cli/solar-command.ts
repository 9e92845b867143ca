import type { Command } from 'commander'
import type { SolarOptions } from './solar-input.js'

/** Battery and panel, before they are bought. Values are read by the command itself, which tells of all that is wrong at once. */
export function addSolarCommand(program: Command, finish: (code: Promise<number>) => Promise<void>): void {
  program
    .command('solar')
    .description('which battery and panel will do, and how a station would live with them')
    .option('--latitude <degrees>', 'south below 0')
    .option('--tilt <degrees>', 'of the panel from level [latitude + 15, for the winter]')
    .option(
      '--insolation <figures>',
      "twelve: kWh/m² a day on the level, January first; without latitude on the panel's plane [assumed, rather cloudy]",
    )
    .option('--panel <watts>', 'the panel there is [the smallest that will do]')
    .option('--battery <size>', '40Ah or 480Wh: the battery there is [the smallest that will do]')
    .option('--chemistry <name>', 'lifepo4 or lead-acid [lifepo4]')
    .option('--battery-celsius <t>', 'temperature of the battery in winter [0]')
    .option('--load <Wh>', 'of a day, all consumers, the sensor running without pause [48]')
    .option('--sensor <Wh>', 'how much of the load is the sensor [12]')
    .option('--plan <name>', 'continuous, 5-of-15, 5-of-60 or heartbeat [continuous]')
    .option('--days <number>', 'wished for without any sun [7]')
    .option('--loss <percent>', 'at most so many hours without energy [1]')
    .option('--years <number>', 'made years to live through [100]')
    .option('--seed <number>', 'another chance for the weather [1]')
    .option('--svg <file>', 'draw the months there too')
    .option('--json', 'the same facts as JSON')
    .action(async (options: SolarOptions) => {
      const { solar } = await import('./solar.js')
      await finish(Promise.resolve(solar(options)))
    })
}
