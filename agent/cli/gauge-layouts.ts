import { readdirSync } from 'node:fs'
import { basename, join, resolve } from 'node:path'
import { groupNames, linePattern } from '../instruments/instruments.js'
import {
  readGaugeLayout,
  settingsFaultText,
  type GaugeLayout,
  type KnownGaugeLayouts,
  type LayoutComplaint,
  type Settings,
  type TextLayout,
} from '../settings/settings.js'
import { bad, good, type Outcome } from '../terms/terms.js'
import { gaugeChannels, type GaugeLayouts } from './gauge-channels.js'
import { packageRoot } from './package-root.js'
import { readTextFile } from './read-text.js'

const folder = join(packageRoot, 'config/gauges')

/** The file that a gauge's layout of this name, or at this path, stands in. */
export const gaugeLayoutFile = (nameOrPath: string): string =>
  nameOrPath.endsWith('.yaml') ? resolve(nameOrPath) : join(folder, `${nameOrPath}.yaml`)

/** Reads the layout of a gauge. Fault: layout-invalid, with file, line, column and key. */
export function loadGaugeLayout(nameOrPath: string): Outcome<GaugeLayout> {
  const file = gaugeLayoutFile(nameOrPath)
  const text = readTextFile(file)
  if (!text.ok) return bad('layout-invalid', text.fault.detail)
  const read = readGaugeLayout(text.value, file, patternComplaints)
  if (read.ok) return good(read.layout)
  return bad('layout-invalid', read.faults.map(settingsFaultText).join('; '))
}

function patternComplaints({ pattern, channels }: TextLayout): LayoutComplaint[] {
  const made = linePattern(pattern)
  if (typeof made === 'string') return [{ path: ['pattern'], wrong: made }]
  const names = groupNames(made)
  const allowed = names.length > 0 ? `it has ${names.join(', ')}` : 'it has none'
  return channels
    .filter(({ group }) => !names.includes(group))
    .map(({ channel, group }) => ({
      path: ['channels', channel, 'group'],
      wrong: `${group} is no named group of the pattern (${allowed})`,
    }))
}

/** Every layout that comes with the program. */
export function knownGaugeLayouts(): KnownGaugeLayouts {
  const names = readdirSync(folder).filter((name) => name.endsWith('.yaml'))
  const known = names.sort().flatMap((name) => {
    const layout = loadGaugeLayout(basename(name, '.yaml'))
    if (!layout.ok) return []
    const { kind, channels } = layout.value
    return [[basename(name, '.yaml'), { kind, channels: channels.map(({ channel }) => channel) }] as const]
  })
  return new Map(known)
}

/**
 * The layout of each gauge, in order. What the settings alone could not show is refused here, where a layout is named by a
 * path: another kind, a channel that another gauge gives, two speeds on one line. Fault: layout-invalid.
 */
export function gaugeLayoutsOf({ gauges }: Settings): Outcome<GaugeLayouts> {
  const layouts: (GaugeLayout | undefined)[] = []
  const channels = new Set<string>()
  const speeds = new Map<string, number>()
  for (const gauge of gauges) {
    const layout = 'layout' in gauge ? loadGaugeLayout(gauge.layout) : good(undefined)
    if (!layout.ok) return layout
    layouts.push(layout.value)
    const of = 'layout' in gauge ? gauge.layout : gauge.device
    const refused = (why: string) => bad('layout-invalid', `${of}: ${why}`)
    if (layout.value && layout.value.kind !== gauge.kind)
      return refused(`is a layout of kind ${layout.value.kind}, and the gauge is of kind ${gauge.kind}`)
    for (const channel of gaugeChannels(gauge, layout.value)) {
      if (channels.has(channel)) return refused(`another gauge gives ${channel} too`)
      channels.add(channel)
    }
    if (!('port' in gauge)) continue
    const baud = gauge.baud ?? layout.value!.baud
    if ((speeds.get(gauge.port) ?? baud) !== baud)
      return refused(`another gauge on ${gauge.port} has another speed`)
    speeds.set(gauge.port, baud)
  }
  return good(layouts)
}
