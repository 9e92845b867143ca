import { choice, group, list, number, onOff, text, whole } from './leaves.js'
import { anyWords, pathShape, pathWords, plainText } from './patterns.js'

const words = (about: string) => list(about, text('A word.', plainText, anyWords), [1, 16], 'words')

const limit = number('A command that takes longer is stopped.', {
  least: 1,
  most: 60,
  unit: 'seconds',
}).default(20)

/** A pair of commands that switch a supply. */
export const onOffSwitch = (about: string) =>
  group(about, {
    on: words('The program that gives the supply, and its words; no shell reads them.'),
    off: words('The program that takes it, and its words.'),
    limit_s: limit,
  })

const watts = (about: string) => number(about, { least: 0, most: 500, unit: 'watts' })
const percent = (about: string) => number(about, { least: 0, most: 95, unit: 'percent' })
const hour = (about: string) => whole(about, { least: 0, most: 24, unit: 'hours' })

const battery = group('The battery that its gauges speak of.', {
  chemistry: choice('Its kind.', ['lead-acid', 'lifepo4']),
  capacity_ah: number('Its capacity as it was sold.', { least: 0.5, most: 5000, unit: 'ampere-hours' }),
  nominal_v: number('Its voltage as it is named: 12, 12.8, 24 …', { least: 3, most: 60, unit: 'volts' }),
})

const panel = group('The panel and where it stands, for what the sun will bring.', {
  peak_w: number('Its rated power.', { least: 1, most: 2000, unit: 'watts' }),
  latitude_deg: number('North positive.', { least: -90, most: 90, unit: 'degrees' }),
  longitude_deg: number('East positive.', { least: -180, most: 180, unit: 'degrees' }),
  tilt_deg: number('0 lies flat, 90 stands upright.', { least: 0, most: 90, unit: 'degrees' }),
  azimuth_deg: number('Where it looks, clockwise from true north; by default towards the equator.', {
    least: 0,
    most: 360,
    unit: 'degrees',
  }).optional(),
})

/** The block `power` of the settings file. */
export const powerGroup = group('Battery, sun, and how much the station measures on them.', {
  battery,
  panel: panel.optional(),
  load: group('What draws, each on its own, while it runs.', {
    board_w: watts('The board.').default(1),
    sensor_w: watts('All sensors together.').default(0.5),
    modem_w: watts('Modem or radio.').default(0),
  }).prefault({}),
  plan: choice(
    'continuous, or 5-of-15, 5-of-60 (minutes) or heartbeat for good; protecting: continuous, and less only while the battery needs it.',
    ['continuous', '5-of-15', '5-of-60', 'heartbeat', 'protecting'],
  ).default('continuous'),
  richer_when_alerted: onOff(
    'While an alert of a sensor stands it runs between the windows of the plan too, for alerts only: no figure is made of that.',
  ).default(false),
  reserve_percent: percent(
    'Charge that is never spent on measurements; by default 30 for lifepo4, 50 for lead-acid.',
  ).optional(),
  cut_off_percent: percent('Charge at which everything ends; by default 15, or 40.').optional(),
  resume_points: number('Sensor and modem start again so far above the reserve.', {
    least: 1,
    most: 50,
    unit: 'percent',
  }).default(10),
  modem: group('When the modem is on and the station may connect.', {
    switch: onOffSwitch('What gives and takes its supply.').optional(),
    every_min: whole('It is let on so often.', { least: 1, most: 1440, unit: 'minutes' }).default(60),
    on_min: whole('For so long.', { least: 1, most: 1440, unit: 'minutes' }).default(10),
    from_h: hour('From this hour of local standard time on.').default(0),
    to_h: hour('Until this hour.').default(24),
  }).optional(),
  board_off: group(
    'How the board is ended below the cut-off, and woken again. Without it the board stays on.',
    {
      command: words('The program that ends the board, and its words.'),
      wake_alarm: text(
        'File of the clock that takes the alarm, such as /sys/class/rtc/rtc0/wakealarm.',
        pathShape,
        pathWords,
      ).optional(),
      wake_switch: words(
        'Or the program that has an external switch give the supply again, and its words; the seconds until then become the last.',
      ).optional(),
      limit_s: limit,
    },
  ).optional(),
}).optional()
