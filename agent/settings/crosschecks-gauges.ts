import { channelKinds, portKind, type ChannelName } from '../terms/terms.js'
import { valueText, type KeyPath, type Verdict } from './fault.js'
import { atKey, atValue, type Finding, type Look } from './look.js'
import { fileKinds, gaugeFiles, gaugeKindFiles, type GaugeChannelName } from './patterns.js'
import { nearest } from './suggest.js'

/** What the layouts of config/gauges are of and give, by name; without it whatever depends on it is not checked. */
export type KnownGaugeLayouts = ReadonlyMap<
  string,
  { readonly kind: 'modbus' | 'text'; readonly channels: readonly string[] }
>

const conflict = (wrong: string, advice: string): Verdict => ({ code: 'conflict', wrong, advice })

const isFileKind = (kind: string): boolean => (fileKinds as readonly string[]).includes(kind)

export function gaugeFindings(look: Look, layouts?: KnownGaugeLayouts): Finding[] {
  const found: Finding[] = []
  const seen = new Set<string>()
  for (const path of look.entries(['gauges'])) {
    const kind = look.text([...path, 'kind'])
    if (kind !== undefined) found.push(...keyFindings(look, path, kind))
    if (kind !== undefined && !isFileKind(kind)) found.push(...lineFindings(look, path, kind, layouts))
    for (const channel of channelsOfGauge(look, path, layouts) ?? []) {
      const at = look.has([...path, 'channels']) ? [...path, 'channels', channel] : [...path, 'layout']
      found.push(...fileFindings(look, path, channel))
      if (seen.has(channel)) found.push(givenTwice(at, channel))
      seen.add(channel)
    }
  }
  return [...found, ...portFindings(look)]
}

/** The channels of a gauge; undefined while its layout is not known. */
export function channelsOfGauge(
  look: Look,
  path: KeyPath,
  layouts?: KnownGaugeLayouts,
): readonly string[] | undefined {
  const layout = look.text([...path, 'layout'])
  return layout === undefined ? look.keys([...path, 'channels']) : layouts?.get(layout)?.channels
}

function givenTwice(at: KeyPath, channel: string): Finding {
  const ofLayout = at.at(-1) === 'layout'
  const wrong = `another gauge gives ${ofLayout ? channel : 'this channel'} too`
  return (ofLayout ? atValue : atKey)(at, conflict(wrong, 'keep one of them'))
}

// ---- keys by kind ---------------------------------------------------------------------------------------------------

const needed = {
  files: { device: 'the name of the device', channels: 'which channel comes from which file' },
  modbus: {
    port: 'a device such as /dev/serial/by-id/…, or tcp://host:port',
    address: 'the address of the device on its line, 1 to 247',
    layout: 'the name of a file in config/gauges, or a path that ends in .yaml',
  },
  text: {
    port: 'a device such as /dev/serial/by-id/…, tcp://host:port, or file: and the path of a recording',
    layout: 'the name of a file in config/gauges, or a path that ends in .yaml',
  },
} as const
const optional: Readonly<Record<keyof typeof needed, readonly string[]>> = {
  files: ['path'],
  modbus: ['baud'],
  text: ['baud'],
}
const anyKey = ['path', 'device', 'channels', 'port', 'baud', 'address', 'layout']

function keyFindings(look: Look, path: KeyPath, kind: string): Finding[] {
  const form = isFileKind(kind) ? 'files' : (kind as 'modbus' | 'text')
  const wanted: Readonly<Record<string, string>> = needed[form]
  const taken = [...Object.keys(wanted), ...optional[form]]
  const missing = Object.keys(wanted).filter((key) => !look.has([...path, key]))
  const strange = anyKey.filter((key) => look.has([...path, key]) && !taken.includes(key))
  return [
    ...missing.map((key) => ({
      ...atKey([...path, key], { code: 'missing' as const, wrong: 'missing', advice: wanted[key] }),
      wants: [key],
    })),
    ...strange.map((key) =>
      atKey(
        [...path, key],
        conflict(`a gauge of kind ${kind} has no ${key}`, `it takes ${taken.join(', ')}`),
      ),
    ),
  ]
}

// ---- files ----------------------------------------------------------------------------------------------------------

function fileFindings(look: Look, path: KeyPath, channel: string): Finding[] {
  const at = [...path, 'channels', channel]
  const filePath = look.keys(at).length > 0 ? [...at, 'file'] : at
  const file = look.text(filePath)
  if (file === undefined) return []
  if (!Object.hasOwn(gaugeFiles, channel)) return []
  if (!gaugeFiles[channel as GaugeChannelName].test(file))
    return [atValue(filePath, wrongFile(channel, file))]
  return kindFindings(look.text([...path, 'kind']), filePath, file)
}

/** A file that no folder of this kind has would be missing for ever. */
function kindFindings(kind: string | undefined, path: KeyPath, file: string): Finding[] {
  if (kind === undefined || !Object.hasOwn(gaugeKindFiles, kind) || gaugeKindFiles[kind].test(file)) return []
  const of = Object.keys(gaugeKindFiles).find((other) => gaugeKindFiles[other].test(file))
  return [
    atValue(
      path,
      conflict(
        `${valueText(file)} is a file of ${of}, and kind is ${kind}`,
        `write kind: ${of}, or name a file of ${kind}`,
      ),
    ),
  ]
}

const fileExamples: Readonly<Record<string, string>> = {
  battery_voltage: 'in1_input, voltage_now or in_voltage0_raw',
  battery_current: 'curr1_input, current_now or in_current0_raw',
  solar_power: 'power1_input, power_now or in_power0_raw',
  state_of_charge: 'capacity',
  temperature: 'temp1_input, temp or in_temp_input',
  humidity: 'humidity1_input or in_humidityrelative_input',
  pressure: 'in_pressure_input',
}

function wrongFile(channel: string, file: string): Verdict {
  const name = channel.split('.')[0] as ChannelName
  return {
    code: 'wrong-text',
    wrong: `${valueText(file)} does not hold a ${channelKinds[name].unit} value`,
    advice: `allowed: a file such as ${fileExamples[name]}`,
  }
}

// ---- lines ----------------------------------------------------------------------------------------------------------

function lineFindings(look: Look, path: KeyPath, kind: string, layouts?: KnownGaugeLayouts): Finding[] {
  const found: Finding[] = []
  const layout = look.text([...path, 'layout'])
  const known = layout === undefined ? undefined : layouts?.get(layout)
  if (known && known.kind !== kind)
    found.push(
      atValue(
        [...path, 'layout'],
        conflict(
          `${layout} is a layout of kind ${known.kind}`,
          `write kind: ${known.kind}, or another layout`,
        ),
      ),
    )
  if (layouts && layout !== undefined && !known && !layout.endsWith('.yaml'))
    found.push(atValue([...path, 'layout'], unknownLayout(layout, layouts)))
  const port = look.text([...path, 'port'])
  if (kind === 'modbus' && port !== undefined && portKind(port) === 'file')
    found.push(atValue([...path, 'port'], conflict('a recording answers nothing', needed.modbus.port)))
  return found
}

function unknownLayout(layout: string, layouts: KnownGaugeLayouts): Verdict {
  const known = [...layouts.keys()]
  return {
    code: 'unknown-word',
    wrong: `${valueText(layout)} is not a layout in config/gauges`,
    advice: `allowed: ${known.join(', ')}, or a path that ends in .yaml`,
    didYouMean: nearest(layout, known),
  }
}

interface OnPort {
  readonly kind: string
  readonly baud?: number
}

/** Several Modbus devices share a line at one speed; nothing else shares any. */
function portFindings(look: Look): Finding[] {
  const taken = new Map<string, OnPort>()
  for (const path of look.entries(['instruments'])) {
    const port = look.text([...path, 'port'])
    if (port !== undefined) taken.set(port, { kind: 'instrument' })
  }
  return look.entries(['gauges']).flatMap((path) => {
    const port = look.text([...path, 'port'])
    if (port === undefined || portKind(port) === 'file') return []
    const gauge = { kind: look.text([...path, 'kind']) ?? '', baud: look.number([...path, 'baud']) }
    const other = taken.get(port)
    taken.set(port, other ?? gauge)
    if (!other) return []
    if (other.kind !== 'modbus' || gauge.kind !== 'modbus') {
      const whose = other.kind === 'instrument' ? 'an instrument' : 'another gauge'
      const wrong = `${valueText(port)} is the port of ${whose} too`
      return [atValue([...path, 'port'], conflict(wrong, 'only gauges of kind modbus share a port'))]
    }
    if (other.baud === gauge.baud) return []
    const wrong = `${valueText(port)} has another speed at another gauge`
    return [atKey([...path, 'baud'], conflict(wrong, 'devices on one line have one speed'))]
  })
}
