/** The gauges of a station as its settings and their layouts have them. */
import { SysfsGauge } from '../hardware/gauges.js'
import { ModbusBus } from '../hardware/modbus-bus.js'
import { ModbusGauge } from '../hardware/modbus-gauge.js'
import { recordingLine } from '../hardware/recording-line.js'
import { serialLine } from '../hardware/serial-line.js'
import { tcpLine } from '../hardware/tcp-line.js'
import { TextGauge, type TextGaugeOptions } from '../hardware/text-gauge.js'
import { createDecoder, linePattern, type Layout } from '../instruments/instruments.js'
import type {
  GaugeSettings,
  LineGaugeSettings,
  ModbusLayout,
  Settings,
  TextLayout,
} from '../settings/settings.js'
import { kindOf, portKind, type ChannelName, type Gauge, type LineFactory } from '../terms/terms.js'
import { hostOf } from './broker-address.js'
import { gaugeChannels, type GaugeLayouts } from './gauge-channels.js'

export interface ComposedGauge {
  readonly gauge: Gauge
  readonly settings: GaugeSettings
  readonly channels: readonly string[]
}

export interface ComposedGauges {
  readonly gauges: readonly ComposedGauge[]
  /** Lets their ports go. */
  readonly close: () => Promise<void>
}

/**
 * @param layouts of each gauge, in order
 * @param listenSeconds so long a reading waits for a line of text where it must; by default three seconds
 */
export function composeGauges(
  { gauges: all }: Settings,
  layouts: GaugeLayouts,
  listenSeconds?: number,
): ComposedGauges {
  const buses = new Map<string, ModbusBus>()
  const closes: (() => Promise<void>)[] = []
  const busAt = (port: string, baud: number): ModbusBus => {
    const bus = buses.get(port) ?? new ModbusBus(lineAt(port, baud))
    if (!buses.has(port)) closes.push(() => bus.close())
    buses.set(port, bus)
    return bus
  }
  const textAt = (settings: LineGaugeSettings, layout: TextLayout): TextGauge => {
    const gauge = textGauge(settings, layout, listenSeconds)
    closes.push(() => gauge.close())
    return gauge
  }
  const gauges = all.map((settings, i): ComposedGauge => {
    const layout = layouts[i]
    const named = { settings, channels: gaugeChannels(settings, layout) }
    if (settings.kind === 'modbus')
      return { gauge: modbusGauge(settings, layout as ModbusLayout, busAt), ...named }
    if (settings.kind === 'text') return { gauge: textAt(settings, layout as TextLayout), ...named }
    return { gauge: new SysfsGauge(settings), ...named }
  })
  return { gauges, close: async () => void (await Promise.all(closes.map((close) => close()))) }
}

const modbusGauge = (
  { port, baud, address }: Extract<GaugeSettings, { kind: 'modbus' }>,
  layout: ModbusLayout,
  busAt: (port: string, baud: number) => ModbusBus,
): ModbusGauge => new ModbusGauge(busAt(port, baud ?? layout.baud), address, layout.channels)

function textGauge({ port, baud }: LineGaugeSettings, layout: TextLayout, listenSeconds?: number): TextGauge {
  const bytesPerReading = (layout.longestBytes * secondsOfReading) / layout.everySeconds
  const line = lineAt(port, baud ?? layout.baud, bytesPerReading)
  return new TextGauge({ ...textGaugeOptions(layout), line, listenSeconds })
}

/** All but the line. */
export function textGaugeOptions(layout: TextLayout): Omit<TextGaugeOptions, 'line'> {
  const { channels, everySeconds } = layout
  const decoded = decodedAs(layout)
  return {
    makeDecoder: (sink) => createDecoder(decoded, { sink: (numbers) => sink(numbers) }),
    channels,
    everySeconds,
  }
}

/** A gauge is read once a minute. */
const secondsOfReading = 60
const mostOfRecording = 4000

/** @param bytesPerReading what a recording gives at a time */
function lineAt(port: string, baud: number, bytesPerReading = 0): LineFactory {
  const kind = portKind(port)
  if (kind === 'serial') return serialLine(port, baud)
  if (kind === 'file')
    return recordingLine(port.slice('file:'.length), Math.min(mostOfRecording, Math.ceil(bytesPerReading)))
  const at = new URL(port)
  return tcpLine(hostOf(at), Number(at.port))
}

/** The lines as an instrument's would be: the same framing finds them, and each group is a field in the order of the channels. */
function decodedAs({ name, about, baud, pattern, longestBytes, everySeconds, channels }: TextLayout): Layout {
  const made = linePattern(pattern)
  return {
    name,
    about,
    baud,
    framing: { kind: 'lines', pattern: typeof made === 'string' ? /^$/u : made, longest: longestBytes },
    fields: channels.map(({ channel, group }) => ({
      channel: channel.split('.')[0] as ChannelName,
      group,
      divisor: 1,
      unit: kindOf(channel)!.unit,
      basis: 'measured',
    })),
    mode: 'active',
    periodSeconds: everySeconds,
    warmUp: { leastSeconds: 0, note: 'none' },
    commands: {},
  }
}
