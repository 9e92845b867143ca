import { choice, group, number, text, whole } from './leaves.js'
import { pathShape, pathWords, portShape } from './patterns.js'

const timeLine = (about: string, baud: number, everyMinutes: number) =>
  group(about, {
    port: text(
      'Its device, or tcp://host:port.',
      portShape,
      'a device such as /dev/serial/by-id/…, or tcp://host:port',
    ),
    baud: whole('Speed of the line.', { least: 1200, most: 921_600, unit: 'baud' }).default(baud),
    every_min: number('It is asked so often.', { least: 1, most: 1440, unit: 'minutes' }).default(
      everyMinutes,
    ),
  }).optional()

/** The block `clock` of the settings file. */
export const clockGroup = group('When the clock of the board is believed, and who else tells the time.', {
  trust: choice(
    'auto: when the network set it or a battery-backed clock keeps it; system: always; ntp-file: only when the network set it; none: never.',
    ['auto', 'system', 'ntp-file', 'none'],
  ).default('auto'),
  ntp_file: text('A file that is there once the network has set the clock.', pathShape, pathWords).default(
    '/run/systemd/timesync/synchronized',
  ),
  satellite: timeLine('A satellite receiver that sends RMC sentences (NMEA 0183) by itself.', 9600, 10),
  modem: timeLine(
    'A modem that answers AT+CCLK? (3GPP TS 27.007) with the time of its network.',
    115_200,
    60,
  ),
}).prefault({})
