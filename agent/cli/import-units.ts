/** Units of foreign logs: as typed, or as the headings or the line below them say. */
import { kindOf } from '../terms/terms.js'
import { wrongUse, type Opened } from './desk.js'
import { sides } from './import-plan.js'

/** To our unit. */
export interface Scale {
  readonly factor: number
  readonly addend: number
}

function plain(factor: number): Scale {
  return { factor, addend: 0 }
}

/** Foreign units that come up in logs, to the unit of the channel. */
const scales: Readonly<Record<string, Readonly<Record<string, Scale>>>> = {
  'ug/m3': { 'ug/m3': plain(1), 'mg/m3': plain(1000), 'ng/m3': plain(0.001), 'g/m3': plain(1e6) },
  C: { C: plain(1), K: { factor: 1, addend: -273.15 }, F: { factor: 5 / 9, addend: -160 / 9 } },
  hPa: { hPa: plain(1), mbar: plain(1), Pa: plain(0.01), kPa: plain(10) },
  'm/s': { 'm/s': plain(1), 'km/h': plain(1 / 3.6), kn: plain(1852 / 3600), mph: plain(0.44704) },
}

export function readUnits(typed: readonly string[]): Opened<Map<string, Scale>> {
  const units = new Map<string, Scale>()
  for (const text of typed) {
    const [channel, unit = ''] = sides(text)
    const own = kindOf(channel)?.unit
    if (own === undefined) return wrongUse(`--units ${text}: '${channel}' is no channel`)
    const known = scales[own] ?? { [own]: plain(1) }
    const scale = known[spelled(unit)]
    if (!scale)
      return wrongUse(`--units ${text}: of ${channel} these are known: ${Object.keys(known).join(', ')}`)
    units.set(channel, scale)
  }
  return { ok: true, value: units }
}

/** 'mg m-3', 'mg/m³', 'mg/m^3' and 'mg/cbm' are one, also where a file in another code page lost its letters. */
const spelled = (unit: string): string =>
  unit
    .trim()
    .replace(/[µμ]|^\uFFFD(?=g)/g, 'u')
    .replace(/³|(?<=m)\uFFFD$/, '3')
    .replace('^', '')
    .replace(/\s*\*?\s*m-3$/, '/m3')
    .replace(/\/cbm$/, '/m3')
    .replace(/^(°|deg\.?) ?/, '')

export interface NamedUnit {
  readonly unit: string
  readonly scale: Scale
}

/** Of a cell that holds nothing but a unit; undefined where it is none of the channel's. */
export function unitOf(cell: string, channel: string): NamedUnit | undefined {
  const unit = spelled(cell.replace(/^[([]|[)\]]$/g, ''))
  const scale = scales[kindOf(channel)?.unit ?? '']?.[unit]
  return scale ? { unit, scale } : undefined
}

/** What a heading says in brackets at its end, or of masses anywhere: 'PM10 [mg/m3]', 'PM10_mg/m³'. */
export function unitInHeading(heading: string, channel: string): NamedUnit | undefined {
  const [, bracketed] = /[([]([^()[\]]+)[)\]]/.exec(heading) ?? []
  const [, tail] = /(?:^|[^a-zµμ\uFFFD])([µμumn\uFFFD]?g ?(?:\/|m-|\/?c)\S*)$/i.exec(heading) ?? []
  return unitOf(bracketed ?? tail ?? '', channel)
}
