/**
 * The register of a group's stations (`register.yaml` beside an archive): what no message of a station tells. Text in, a
 * register out, or every fault with line, column and key, as in the settings file.
 */
import { isDay } from '../terms/terms.js'
import { valueText, type SettingsFault } from './fault.js'
import { schemaFindings, withoutEchoes } from './keys.js'
import { group, list, number, text } from './leaves.js'
import { atValue, type Finding } from './look.js'
import { anyWords, plainText } from './patterns.js'
import { allFaults } from './placed.js'
import { readYaml } from './yaml-text.js'

const stationName = text(
  'Its name at the broker.',
  /^[a-z0-9][a-z0-9-]{0,31}$/,
  '1 to 32 small letters, digits and hyphens',
)
const words = (about: string) => text(about, plainText, anyWords)
const day = (about: string) => text(about, /^\d{4}-\d\d-\d\d$/, 'a day as 2026-03-01')

const source = group('Something that may be heard or smelt from there.', {
  name: words('What it is.'),
  bearing: number('Direction in which it lies, from north by east.', { least: 0, most: 360, unit: 'deg' }),
  distance_m: number('How far away.', { least: 0, most: 100_000, unit: 'm' }).optional(),
})

const deployment = group('A time at one place.', {
  place: words('Where.'),
  from: day('First day.'),
  to: day('Last day; absent: still there.').optional(),
})

const station = group('One station.', {
  station: stationName,
  name: words('What people call it.').optional(),
  latitude: number('North; others see it rounded.', { least: -90, most: 90, unit: 'deg' }).optional(),
  longitude: number('East; others see it rounded.', { least: -180, most: 180, unit: 'deg' }).optional(),
  height_m: number('Of the inlet above the ground.', { least: 0, most: 500, unit: 'm' }).optional(),
  sources: list('What lies around it.', source, [0, 50], 'sources').optional(),
  deployments: list('Where it was, when.', deployment, [0, 200], 'deployments').optional(),
  notes: list('For people.', words('A note.'), [0, 200], 'notes').optional(),
  photos: list('Names of files.', words('Name of a file.'), [0, 200], 'names').optional(),
})

const registerSchema = group('The register.', {
  stations: list('The stations of the group.', station, [0, 2000], 'stations'),
})

export interface RegisteredStation {
  readonly station: string
  readonly name?: string
  readonly latitude?: number
  readonly longitude?: number
  readonly heightMetres?: number
  readonly sources: readonly {
    readonly name: string
    readonly bearingDegrees: number
    readonly distanceMetres?: number
  }[]
  readonly deployments: readonly { readonly place: string; readonly from: string; readonly to?: string }[]
  readonly notes: readonly string[]
  readonly photos: readonly string[]
}

export type RegisterOutcome =
  | { readonly ok: true; readonly stations: readonly RegisteredStation[] }
  | { readonly ok: false; readonly faults: readonly SettingsFault[] }

const textKeys = ['station', 'name', 'place', 'from', 'to', 'notes', 'photos']

/** @param fileName stands before each fault */
export function readRegister(content: string, fileName: string): RegisterOutcome {
  const yaml = readYaml(content, textKeys)
  const findings = yaml.value === undefined ? [] : withoutEchoes(schemaFindings(yaml.value, registerSchema))
  const faults = allFaults(yaml, findings, fileName)
  if (faults.length > 0) return { ok: false, faults }
  const parsed = registerSchema.parse(yaml.value).stations
  const doubled = parsed.flatMap(({ station: name }, i) =>
    parsed.findIndex((one) => one.station === name) < i ? [atValue(['stations', i, 'station'], twice)] : [],
  )
  const times = parsed.flatMap(({ deployments = [] }, i) => deploymentFindings(deployments, i))
  const against = allFaults(yaml, [...doubled, ...times], fileName)
  if (against.length > 0) return { ok: false, faults: against }
  return { ok: true, stations: parsed.map(shaped) }
}

const twice = {
  code: 'conflict',
  wrong: 'this station stands here twice',
  advice: 'put what is known of it into one entry',
} as const

type Deployments = RegisteredStation['deployments']

/** Days that no calendar has, a last day before the first, and a second place while the station still stands at one. */
function deploymentFindings(deployments: Deployments, station: number): Finding[] {
  return deployments.flatMap(({ from, to }, i) => {
    const at = (key: string) => ['stations', station, 'deployments', i, key]
    const noDays = [
      ...(isDay(from) ? [] : [atValue(at('from'), noDay(from))]),
      ...(to === undefined || isDay(to) ? [] : [atValue(at('to'), noDay(to))]),
    ]
    if (noDays.length > 0) return noDays
    if (to !== undefined) return to < from ? [atValue(at('to'), tooEarly(from, to))] : []
    const open = deployments.slice(0, i).find((one) => one.to === undefined)
    return open ? [atValue(at('from'), stillOut(open))] : []
  })
}

const noDay = (day: string) =>
  ({
    code: 'wrong-text',
    wrong: `${valueText(day)} is no day of the calendar`,
    advice: 'write a day that there is, as 2026-03-01',
  }) as const

const tooEarly = (from: string, to: string) =>
  ({
    code: 'conflict',
    wrong: `the last day ${to} lies before the first, ${from}`,
    advice: `write ${from} or a later day`,
  }) as const

const stillOut = ({ place, from }: Deployments[number]) =>
  ({
    code: 'conflict',
    wrong: `the station still stands at ${valueText(place)}, since ${from}`,
    advice: "note first when that ended: with 'to' in the file, or 'stations register STATION --removed DAY'",
  }) as const

function shaped(one: (typeof registerSchema)['_output']['stations'][number]): RegisteredStation {
  const { height_m: heightMetres, sources = [], deployments = [], notes = [], photos = [], ...same } = one
  return {
    ...same,
    ...(heightMetres === undefined ? {} : { heightMetres }),
    sources: sources.map(({ name, bearing, distance_m }) => ({
      ...{ name, bearingDegrees: bearing },
      ...(distance_m === undefined ? {} : { distanceMetres: distance_m }),
    })),
    ...{ deployments, notes, photos },
  }
}

/** Degrees as others may see them: about a kilometre. */
export const roundedDegrees = (degrees: number): number => Math.round(degrees * 100) / 100
