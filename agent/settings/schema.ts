import { z } from 'zod'
import { windowNames } from '../terms/terms.js'
import {
  choice,
  either,
  factor,
  group,
  list,
  mapOf,
  number,
  numberChoice,
  onOff,
  quarterHours,
  text,
  whole,
  zeroOrWhole,
  zone,
} from './leaves.js'
import { limitsSchema } from './schema-limits.js'
import {
  alertChannels,
  alertChannelShape,
  anyWords,
  fileName,
  gaugeChannelNames,
  pathShape,
  pathWords,
  plainText,
  portShape,
  secretPathShape,
  shortName,
  shortNameWords,
  urlShape,
} from './patterns.js'
import { clockGroup } from './schema-clock.js'
import { onOffSwitch, powerGroup } from './schema-power.js'

/**
 * The settings file as it is written: every key, its range, its default and a sentence about it. Checks that need two
 * keys at once stand in crosschecks.ts.
 */

export const settingsVersion = 1

const station = group('Who this station is.', {
  name: text('Name of this station, unique in its group; part of every topic.', shortName, shortNameWords),
  group: text('Name of the group of stations it belongs to.', shortName, shortNameWords).default('home'),
  time_zone: zone(
    'Time zone by its IANA name; days are cut in its standard time, without summer time.',
  ).optional(),
  standard_offset_min: quarterHours(
    'In place of time_zone: minutes that local standard time is ahead of UTC.',
  ).optional(),
})

const powerCycle = group('What takes the supply from a sensor that gives nothing, and gives it back.', {
  command: list(
    'The program and its words, one by one; no shell reads them.',
    text('A word.', plainText, anyWords),
    [1, 16],
    'words',
  ),
  after_s: number('Without a frame for so long the command is run.', {
    least: 60,
    most: 86_400,
    unit: 'seconds',
  }).default(300),
  every_min: number('At most so often.', { least: 5, most: 10_080, unit: 'minutes' }).default(60),
  limit_s: number('A command that takes longer is stopped.', {
    least: 1,
    most: 60,
    unit: 'seconds',
  }).default(20),
})

const instrument = group('One instrument.', {
  name: text('What people call it.', plainText, anyWords).optional(),
  layout: text(
    'Name of a file in config/instruments without .yaml, or a path that ends in .yaml.',
    /^([A-Za-z0-9][A-Za-z0-9_-]*|(?!~).*\.yaml)$/,
    'the name of a file in config/instruments without .yaml, or a path that ends in .yaml',
  ),
  port: text(
    'Where its bytes come from: a device, tcp://host:port, or file: and the path of a recording.',
    portShape,
    'a device such as /dev/serial/by-id/…, tcp://host:port, or file: and the path of a recording',
  ),
  baud: whole('Speed of the line where it differs from the layout.', {
    least: 1200,
    most: 921_600,
    unit: 'baud',
  }).optional(),
  slot: text(
    'Tells two of a kind apart: pm2_5.north.',
    /^[a-z0-9]{1,12}$/,
    '1 to 12 small letters and digits',
  ).optional(),
  scaling: choice('Which of the two mass outputs to record, where the layout has two.', [
    'atmospheric',
    'standard-particle',
  ]).default('atmospheric'),
  serial: text('Serial number on the label of the unit.', plainText, anyWords).optional(),
  read_every_s: number('Time between two readings.', { least: 1, most: 60, unit: 'seconds' }).default(1),
  warm_up_s: number('Readings younger than this after power-on do not count.', {
    least: 0,
    most: 600,
    unit: 'seconds',
  }).default(60),
  silent_after_s: number('Without a frame for so long the sensor is called silent, and woken.', {
    least: 2,
    most: 3600,
    unit: 'seconds',
  }).default(10),
  reopen_after_s: number('Without a frame for so long the port is closed and opened again.', {
    least: 2,
    most: 3600,
    unit: 'seconds',
  }).default(30),
  dtr: onOff('Holds the DTR and RTS lines on or off, for adapters that need it.').optional(),
  mode: choice(
    'active: the sensor sends by itself; polled: it is asked for each reading. By default as the layout says.',
    ['active', 'polled'],
  ).optional(),
  outdoors: onOff(
    'Outdoors there is always something to count: no particle for ten minutes means fan or inlet.',
  ).default(true),
  box: text(
    'Sensors with the same box breathe the same air and are compared each hour.',
    shortName,
    shortNameWords,
  ).optional(),
  sleep_on_stop: onOff('Puts the sensor to sleep when the agent stops, where its layout can.').default(false),
  clean_every_h: number('Has the sensor blow its fan free so often, where its layout can.', {
    least: 1,
    most: 590,
    unit: 'hours',
  }).optional(),
  power_cycle: powerCycle.optional(),
  power_switch: onOffSwitch(
    'What gives the sensor its supply and takes it, for the sampling plan.',
  ).optional(),
})

const gaugeFile = text(
  'Name of the file that holds the value.',
  fileName,
  'the name of a file, such as in1_input',
)

const gauge = group('One gauge: battery, sun, temperature, humidity or pressure from files of the kernel.', {
  kind: choice('Which kind of folder it is.', ['hwmon', 'power_supply', 'iio']),
  path: text('Folder in which the devices stand.', pathShape, pathWords).optional(),
  device: text(
    'hwmon, iio: what the file called name says. power_supply: the name of the folder.',
    /^[^/\s]{1,64}$/,
    'a name without spaces and slashes',
  ),
  channels: mapOf(
    'Which channel comes from which file.',
    gaugeChannelNames,
    either(
      'The file, or file and factor.',
      gaugeFile,
      group('File and factor.', {
        file: gaugeFile,
        factor: factor('Multiplies the value (a voltage divider, a shunt, a sign).').default(1),
      }),
      'the name of a file, or {file: …, factor: …}',
    ),
  ),
})

const alert = group('One rule that watches an average.', {
  rule: text('Name of the rule, unique.', shortName, shortNameWords),
  channel: text(
    'Channel, with its slot where it has one.',
    alertChannelShape,
    `a channel, with .slot where it has one: ${alertChannels.join(', ')}`,
    { near: alertChannels },
  ),
  average: choice('Which average is watched.', windowNames),
  above: number('Raised when the average is above this.', { least: -1e6, most: 1e6 }).optional(),
  below: number('Raised when the average is below this.', { least: -1e6, most: 1e6 }).optional(),
  back_at: number(
    'Over when the average is back past this: it keeps a trembling value from raising again and again.',
    {
      least: -1e6,
      most: 1e6,
    },
  ).optional(),
  on_delay_min: number('It must hold so long before it is raised.', {
    least: 0,
    most: 1440,
    unit: 'minutes',
  }).default(0),
  off_delay_min: number('It must be back so long before it is over.', {
    least: 0,
    most: 1440,
    unit: 'minutes',
  }).default(20),
  min_data_capture_percent: number('An average with less data than this decides nothing.', {
    least: 1,
    most: 100,
    unit: 'percent',
  }).default(75),
  priority: choice('How pressing it is.', ['low', 'normal', 'high']).default('normal'),
})

const ladderStep = group('One step.', {
  step: choice('What the command does; each at most once, in this order.', [
    'interface',
    'modem-reset',
    'modem-power',
    'reboot',
  ]),
  command: list(
    'The program and its words, one by one; no shell reads them.',
    text('A word.', plainText, anyWords),
    [1, 16],
    'words',
  ),
  after_min: number('Without any answer for so long the command is run.', {
    least: 10,
    most: 10_080,
    unit: 'minutes',
  }).default(60),
  every_min: number('At most so often.', { least: 10, most: 1440, unit: 'minutes' }).default(180),
  most_a_day: whole('At most so many times in 24 hours.', { least: 1, most: 24, unit: 'times' }).default(4),
  limit_s: number('A command that takes longer is stopped.', {
    least: 1,
    most: 300,
    unit: 'seconds',
  }).default(60),
})

const filePath = (words: string) => text(words, pathShape, pathWords).optional()

const uplink = group('Where records are sent.', {
  mode: choice('none keeps everything here; mqtt sends it to a broker.', ['none', 'mqtt']).optional(),
  url: text(
    'Address of the broker.',
    urlShape,
    'mqtt://host:port or mqtts://host:port (mqtts is encrypted), without user and password',
  ).optional(),
  protocol: numberChoice('Version of MQTT: 5, or 4 for brokers that only know 3.1.1.', [5, 4]).default(5),
  client_id: text(
    'Name at the broker; by default motepost-<group>-<station>-<store>. Never the same for two stations.',
    /^[\x21-\x7e]{1,100}$/,
    '1 to 100 plain characters without spaces',
  ).optional(),
  username: text('User at the broker.', plainText, anyWords).optional(),
  password_file: text(
    'File that holds the password and nothing else.',
    secretPathShape,
    'the path of a file that holds the password, such as /etc/motepost/broker-password',
    { veiled: true },
  ).optional(),
  ca_file: filePath('File with the certificate that vouches for the broker.'),
  cert_file: filePath('File with the certificate of this station.'),
  key_file: filePath('File with the key to cert_file.'),
  pack_every_min: number('Records go out in packs, so often; under 1 only for trials.', {
    least: 0.05,
    most: 1440,
    unit: 'minutes',
  }).default(60),
  // MQTT allows 65535. No link keeps a silent connection for half a day (common practice, no source), and the lower
  // limit catches 60000, which is always a minute in milliseconds.
  keepalive_s: zeroOrWhole('Sign of life on a connection that is kept.', {
    least: 900,
    most: 43_200,
    unit: 'seconds',
  }).default(1200),
  answer_limit_s: number('An answer of the broker that takes longer counts as none.', {
    least: 5,
    most: 300,
    unit: 'seconds',
  }).default(60),
  receipts: choice(
    'required: a record is safe away when a collector says so; none: when the broker has it.',
    ['required', 'none'],
  ).default('required'),
  encoding: choice('Form of the packs.', ['cbor', 'json']).default('cbor'),
  connection: choice(
    'kept stays connected; per-pack connects for each pack (costs less on a metered link).',
    ['kept', 'per-pack'],
  ).default('kept'),
  daily_budget_kb: zeroOrWhole(
    'Bytes in 24 hours, all in; old records wait when half of it is used. 0: no limit.',
    { least: 400, most: 10_000_000, unit: 'kilobytes' },
  ).default(5000),
  resend_after_min: number('What no receipt names after so long is sent again.', {
    least: 0.05,
    most: 1440,
    unit: 'minutes',
  }).default(120),
  ladder: list(
    'What is done about a link that is up and carries nothing, the gentlest first.',
    ladderStep,
    [0, 4],
    'steps',
  ).default([]),
})

const metres = (words: string, most: number) => number(words, { least: 0, most, unit: 'metres' })
const degrees = (words: string) => number(words, { least: 0, most: 360, unit: 'degrees' })

const site = group(
  'The place, for whoever reads the figures later. What is not given reads "not recorded".',
  {
    inlet_height_m: metres('Height of the inlet above the ground.', 200).optional(),
    free_arc_deg: degrees('How much of the horizon is open around the inlet.').optional(),
    nearest_obstacle_m: metres('Distance to the nearest wall, tree or hedge.', 100_000).optional(),
    nearest_road_m: metres('Distance to the nearest road with traffic.', 100_000).optional(),
    sources: list(
      'Known sources around.',
      group('One source.', {
        name: text('What it is.', plainText, anyWords),
        bearing_deg: degrees('Direction towards it, clockwise from true north.').optional(),
        distance_m: metres('Distance to it.', 100_000).optional(),
      }),
      [0, 16],
      'sources',
    ).default([]),
    permission: text('Who allowed the station to stand here, and when.', plainText, anyWords).optional(),
    photos: list(
      'Names of photographs of the site.',
      text('Name of a photograph.', plainText, anyWords),
      [0, 16],
      'names',
    ).default([]),
  },
)

export const settingsSchema = group('Settings of one Motepost station.', {
  version: numberChoice('Version of this form.', [settingsVersion]),
  station,
  instruments: list('What measures the air, one to eight.', instrument, [1, 8], 'instruments'),
  gauges: list('Battery and sun, up to eight.', gauge, [0, 8], 'gauges').default([]),
  supply: group('How a low supply of the board is known.', {
    low_file: text(
      'File that reads 0 while the supply is enough; by default the first in0_lcrit_alarm of hwmon, if there is one.',
      pathShape,
      pathWords,
    ).optional(),
  }).prefault({}),
  power: powerGroup,
  data: group('Where records are kept.', {
    folder: text('Folder for the records; it is made if need be.', pathShape, pathWords),
    must_be_mounted: onOff(
      'Whether the folder must lie on a disk of its own: nothing is written below a mount point that is empty.',
    ).default(false),
    record_s: whole('Length of a record; shorter than 60 only for trials on a bench.', {
      least: 1,
      most: 60,
      unit: 'seconds',
    }).default(60),
    flush_every_s: number('Records are made safe on disk so often; alerts at once.', {
      least: 1,
      most: 3600,
      unit: 'seconds',
    }).default(300),
  }),
  runtime: group('Where a running station can be asked.', {
    folder: text(
      'Folder of the socket for status, visit and sitelog; by default the data folder.',
      pathShape,
      pathWords,
    ).optional(),
    group_access: onOff('Whether the group of its user may ask it too.').default(false),
  }).prefault({}),
  clock: clockGroup,
  alerts: list('Rules, up to 32.', alert, [0, 32], 'rules').default([]),
  uplink: uplink.prefault({}),
  site: site.optional(),
  limits: limitsSchema.prefault({}),
  health: group('How the station tells how it is.', {
    every_min: number('A health message so often, and at each change.', {
      least: 1,
      most: 1440,
      unit: 'minutes',
    }).default(60),
  }).prefault({}),
  log: group('What is written to the journal.', {
    level: choice('How much.', ['info', 'warn', 'debug']).default('info'),
  }).prefault({}),
})

/** The file as read: checked, defaults filled in, names as they are written. */
export type SettingsFile = z.output<typeof settingsSchema>

/** JSON Schema (2020-12) of the file, for editors; config/settings.schema.json holds this text. */
export const settingsJsonSchemaText = (): string =>
  JSON.stringify(
    { title: 'Motepost settings', ...z.toJSONSchema(settingsSchema, { io: 'input' }) },
    undefined,
    2,
  ) + '\n'
