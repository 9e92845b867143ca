import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { readSysfs } from '../hardware/sysfs.js'
import type { GaugeChannelName } from '../settings/settings.js'

/** A device of the kernel whose files a station can read, as it goes into the settings. */
export interface FoundGauge {
  readonly kind: 'hwmon' | 'power_supply' | 'iio'
  readonly device: string
  readonly channels: readonly { readonly channel: GaugeChannelName; readonly file: string }[]
  /** Nobody can know what this device measures: it goes into the file as a comment, to be chosen from. */
  readonly unsure: boolean
}

/** Folder of each kind below /sys (kernel documentation of sysfs, 6.1). */
export const gaugeFolders = {
  hwmon: 'class/hwmon',
  power_supply: 'class/power_supply',
  iio: 'bus/iio/devices',
} as const

type Kind = keyof typeof gaugeFolders

/** What a file probably is. A voltage of hwmon may be any: the owner has to choose. */
const filesOf: Readonly<Record<Kind, readonly (readonly [RegExp, GaugeChannelName])[]>> = {
  hwmon: [
    [/^in\d+_input$/, 'battery_voltage'],
    [/^curr\d+_input$/, 'battery_current'],
    [/^power\d+_input$/, 'solar_power'],
  ],
  power_supply: [
    [/^voltage_now$/, 'battery_voltage'],
    [/^current_now$/, 'battery_current'],
    [/^capacity$/, 'state_of_charge'],
  ],
  iio: [
    [/^in_temp_(input|raw)$/, 'temperature'],
    [/^in_humidityrelative_(input|raw)$/, 'humidity'],
    [/^in_pressure_(input|raw)$/, 'pressure'],
  ],
}

/** Gauges of this board that give a number now. What cannot be read is left out. */
export async function findGauges(sys: string): Promise<FoundGauge[]> {
  const found: FoundGauge[] = []
  for (const kind of Object.keys(gaugeFolders) as Kind[])
    for (const entry of namesIn(join(sys, gaugeFolders[kind])).sort()) {
      const gauge = await gaugeIn(kind, join(sys, gaugeFolders[kind], entry), entry)
      // Two devices of one name cannot be told apart, and one channel cannot come from two.
      if (gauge && !found.some((other) => other.device === gauge.device || shared(other, gauge)))
        found.push(gauge)
    }
  return found.slice(0, 8)
}

async function gaugeIn(kind: Kind, folder: string, entry: string): Promise<FoundGauge | undefined> {
  // A charger or a mains plug is a power supply as well, and no battery.
  if (kind === 'power_supply' && textOf(join(folder, 'type')) !== 'Battery') return undefined
  const device = kind === 'power_supply' ? entry : textOf(join(folder, 'name'))
  if (device === undefined || !/^[^/\s]{1,64}$/.test(device)) return undefined
  const channels = new Map<GaugeChannelName, string>()
  for (const file of namesIn(folder).sort()) {
    const channel = filesOf[kind].find(([shape]) => shape.test(file))?.[1]
    if (!channel || channels.has(channel)) continue
    if ((await readSysfs(join(folder, file))).ok) channels.set(channel, file)
  }
  const listed = [...channels].map(([channel, file]) => ({ channel, file }))
  return listed.length > 0 ? { kind, device, channels: listed, unsure: kind === 'hwmon' } : undefined
}

const shared = (a: FoundGauge, b: FoundGauge): boolean =>
  !a.unsure &&
  !b.unsure &&
  a.channels.some(({ channel }) => b.channels.some((other) => other.channel === channel))

function namesIn(folder: string): string[] {
  try {
    return readdirSync(folder)
  } catch {
    return []
  }
}

function textOf(file: string): string | undefined {
  try {
    return readFileSync(file, 'latin1').trim()
  } catch {
    return undefined
  }
}
