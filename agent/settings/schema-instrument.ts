/** Keys of an instrument and of a gauge. */
import { choice, either, factor, group, list, mapOf, number, onOff, text, whole } from './leaves.js'
import {
  anyWords,
  fileName,
  gaugeChannelNames,
  gaugeKinds,
  layoutShape,
  pathShape,
  pathWords,
  plainText,
  portShape,
  portWords,
  shortName,
  shortNameWords,
} from './patterns.js'
import { onOffSwitch } from './schema-power.js'

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

export const instrumentGroup = group('One instrument.', {
  name: text('What people call it.', plainText, anyWords).optional(),
  layout: text(
    'Name of a file in config/instruments without .yaml, or a path that ends in .yaml.',
    layoutShape,
    'the name of a file in config/instruments without .yaml, or a path that ends in .yaml',
  ),
  port: text(
    'Where its bytes come from: a device, tcp://host:port, or file: and the path of a recording.',
    portShape,
    portWords,
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

export const gaugeGroup = group(
  'One gauge: battery, sun, temperature, humidity or pressure from files of the kernel, registers or text lines.',
  {
    kind: choice(
      'hwmon, power_supply, iio: a folder of the kernel. modbus: registers of a device (RTU). text: lines that come by themselves.',
      gaugeKinds,
    ),
    path: text('Folder in which the devices stand.', pathShape, pathWords).optional(),
    device: text(
      'hwmon, iio: what the file called name says. power_supply: the name of the folder.',
      /^[^/\s]{1,64}$/,
      'a name without spaces and slashes',
    ).optional(),
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
    ).optional(),
    port: text(
      'modbus, text: a device or tcp://host:port; text: or file: and the path of a recording.',
      portShape,
      portWords,
    ).optional(),
    baud: whole('Speed of the line where it differs from the layout.', {
      least: 1200,
      most: 921_600,
      unit: 'baud',
    }).optional(),
    address: whole('modbus: the address of the device on its line.', { least: 1, most: 247 }).optional(),
    layout: text(
      'modbus, text: name of a file in config/gauges without .yaml, or a path that ends in .yaml.',
      layoutShape,
      'the name of a file in config/gauges without .yaml, or a path that ends in .yaml',
    ).optional(),
  },
)
