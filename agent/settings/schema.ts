import { z } from 'zod'
import { windowNames } from '../terms/terms.js'
import {
  choice,
  group,
  list,
  number,
  numberChoice,
  onOff,
  quarterHours,
  text,
  whole,
  zone,
} from './leaves.js'
import { limitsSchema } from './schema-limits.js'
import {
  alertChannels,
  alertChannelShape,
  anyWords,
  pathShape,
  pathWords,
  plainText,
  shortName,
  shortNameWords,
} from './patterns.js'
import { builtInAlertsList, caseGroup } from './schema-built-in.js'
import { clockGroup } from './schema-clock.js'
import { deliveryGroup } from './schema-delivery.js'
import { gaugeGroup, instrumentGroup } from './schema-instrument.js'
import { powerGroup } from './schema-power.js'
import { uplinkGroup } from './schema-uplink.js'

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
  instruments: list('What measures the air, one to eight.', instrumentGroup, [1, 8], 'instruments'),
  gauges: list('Battery and sun, up to eight.', gaugeGroup, [0, 8], 'gauges').default([]),
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
  built_in_alerts: builtInAlertsList,
  case: caseGroup,
  delivery: deliveryGroup.optional(),
  uplink: uplinkGroup.prefault({}),
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
