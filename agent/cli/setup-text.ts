import { stringify } from 'yaml'
import { gaugeFolders, type FoundGauge } from './setup-gauges.js'

/** A sensor as it goes into the settings. */
export interface FoundSensor {
  readonly layout: string
  readonly port: string
  /** Only where it differs from the layout's own. */
  readonly baud?: number
  /** What it is, for the comment. */
  readonly about: string
}

export interface SetupAnswers {
  readonly name: string
  readonly group?: string
  readonly zone: string
  readonly dataFolder: string
  readonly broker?: string
  readonly sensors: readonly FoundSensor[]
  readonly gauges: readonly FoundGauge[]
  /** Folder of the kernel's files, /sys but for trials. */
  readonly sys: string
}

/** One value as YAML writes it, quoted where it must be. */
const y = (value: string): string => stringify(value, { lineWidth: 0 }).trimEnd()

/** A settings file with a comment at each line that somebody may want to change. */
export function setupText(answers: SetupAnswers): string {
  return [
    '# Written by `motepost setup`. `motepost check` reads it and names everything that is wrong with it.',
    '# config/example.yaml shows every key there is, with its meaning and default.',
    'version: 1',
    '',
    ...stationLines(answers),
    '',
    '# What measures the air.',
    'instruments:',
    ...answers.sensors.flatMap((sensor, i) =>
      sensorLines(sensor, answers.sensors.length > 1 ? i + 1 : undefined),
    ),
    ...gaugeBlock(answers),
    '',
    'data:',
    `  folder: ${y(answers.dataFolder)} # where records are kept; made if need be`,
    '',
    ...uplinkLines(answers.broker),
    ...alertLines(answers.sensors.length > 1 ? 'pm10.1' : 'pm10'),
  ].join('\n')
}

function stationLines({ name, group, zone }: SetupAnswers): string[] {
  return [
    'station:',
    `  name: ${y(name)} # small letters, digits and hyphens; no two alike in a group`,
    group === undefined ? '  # group: home # stations that belong together' : `  group: ${y(group)}`,
    `  time_zone: ${y(zone)} # of this board; days are cut in its standard time, without summer time`,
  ]
}

const sensorLines = ({ layout, port, baud, about }: FoundSensor, slot: number | undefined): string[] => [
  `  # ${about}`,
  `  - layout: ${y(layout)}`,
  `    port: ${y(port)}`,
  ...(baud === undefined ? [] : [`    baud: ${baud} # unlike the layout's own`]),
  ...(slot === undefined ? [] : [`    slot: '${slot}' # tells two of a kind apart, as in pm2_5.${slot}`]),
  "    # serial: '…' # the number on its label, so that figures never cross a change of unit unnoticed",
]

function gaugeBlock({ gauges, sys }: SetupAnswers): string[] {
  if (gauges.length === 0) return []
  const sure = gauges.some((gauge) => !gauge.unsure)
  return [
    '',
    '# Files of the kernel that this board has. A temperature and humidity from outdoors are better named',
    '# temperature.outside and humidity.outside: then readings in damp air and fog are marked.',
    sure ? 'gauges:' : '# gauges:',
    ...gauges.flatMap((gauge) => gaugeLines(gauge, sys)),
  ]
}

function gaugeLines({ kind, device, channels, unsure }: FoundGauge, sys: string): string[] {
  const lines = [
    `  - kind: ${kind}`,
    ...(sys === '/sys' ? [] : [`    path: ${y(`${sys}/${gaugeFolders[kind]}`)}`]),
    `    device: ${y(device)}`,
    '    channels:',
    ...channels.map(({ channel, file }) => `      ${channel}: ${file}`),
  ]
  if (!unsure) return lines
  return [
    '  # Only you know what is wired to this one. Take the # off the lines that are true:',
    ...lines.map((line) => `  # ${line.slice(2)}`),
  ]
}

const uplinkLines = (broker: string | undefined): string[] =>
  broker === undefined
    ? [
        '# Everything stays here. To send records to a broker, take the # off these lines:',
        '# uplink:',
        '#   mode: mqtt',
        '#   url: mqtts://broker.example.org:8883',
        '#   username: north-fence',
        '#   password_file: /etc/motepost/broker-password',
      ]
    : [
        'uplink:',
        '  mode: mqtt',
        `  url: ${y(broker)}`,
        '  # username: north-fence',
        '  # password_file: /etc/motepost/broker-password',
        '  receipts: required # none: where no collector tells that records are safe away',
      ]

const alertLines = (channel: string): string[] => [
  '',
  '# A rule that watches an average; the level is yours to choose.',
  '# alerts:',
  '#   - rule: dust-high',
  `#     channel: ${channel}`,
  '#     average: 1-h',
  '#     above: 150',
  '',
]
