/** `motepost stations register`: what is known of the stations beside their messages, shown and noted. */
import { roundedDegrees, type RegisteredStation } from '../settings/settings.js'
import { lineWidth } from './averages-table.js'
import { refuse, say, wrongUse, type Opened } from './desk.js'
import { folded } from './plain-text.js'
import { changeRegister, loadRegister, registerFile, type RegisterChange } from './register-file.js'

export interface RegisterOptions {
  readonly archive: string
  readonly json?: boolean
  /** Positions as they were noted: for who runs the group. */
  readonly exact?: boolean
  readonly name?: string
  readonly latitude?: string
  readonly longitude?: string
  readonly height?: string
  /** 'quarry=120' or 'quarry=120,400'. */
  readonly source?: readonly string[]
  /** 'north fence from 2026-03-01'. */
  readonly deployed?: string
  readonly removed?: string
  readonly note?: readonly string[]
  readonly photo?: readonly string[]
}

/** Exit codes: 0 shown or noted, 1 nothing is registered of it, 2 wrong use or a register that cannot be read. */
export async function stationsRegister(
  station: string | undefined,
  options: RegisterOptions,
): Promise<number> {
  const change = changeIn(options)
  if (!change.ok) return refuse(change)
  if (change.value !== undefined) {
    if (station === undefined) return refuse(wrongUse('name the station of which this is to be noted'))
    const noted = changeRegister(options.archive, station, change.value)
    if (!noted.ok) return refuse(noted)
  }
  const read = loadRegister(options.archive)
  if (!read.ok) return refuse(read)
  const wanted = read.value.filter((one) => station === undefined || one.station === station)
  if (options.json)
    await say(JSON.stringify({ v: 1, stations: wanted.map((one) => stationJson(one, options)) }))
  else if (wanted.length > 0) await say(wanted.flatMap((one) => stationLines(one, options)).join('\n'))
  if (wanted.length > 0) return 0
  const of = station === undefined ? 'no station' : `nothing of '${station}'`
  process.stderr.write(`${of} is registered in ${registerFile(options.archive)}\n`)
  return 1
}

// ---- noting ---------------------------------------------------------------------------------------------------------

/** undefined where nothing is to be noted. */
function changeIn(options: RegisterOptions): Opened<RegisterChange | undefined> {
  const values: Record<string, string | number> = {}
  if (options.name !== undefined) values.name = options.name
  for (const [option, key] of numberKeys) {
    const typed = options[option]
    if (typed === undefined) continue
    if (!/^-?\d{1,3}(\.\d{1,9})?$/.test(typed))
      return wrongUse(`--${option} ${typed}: expected a number with a decimal point`)
    values[key] = Number(typed)
  }
  const additions: Record<string, unknown[]> = {}
  if (options.source) {
    const sources = options.source.map(sourceIn)
    const wrong = sources.findIndex((one) => one === undefined)
    if (wrong >= 0)
      return wrongUse(`--source ${options.source[wrong]}: expected NAME=DEGREES or NAME=DEGREES,METRES`)
    additions.sources = sources
  }
  if (options.deployed !== undefined) {
    const m = /^(.+) from (\d{4}-\d\d-\d\d)$/.exec(options.deployed)
    if (!m)
      return wrongUse(
        `--deployed ${options.deployed}: expected 'PLACE from 2026-03-01', in one pair of quotes`,
      )
    additions.deployments = [{ place: m[1], from: m[2] }]
  }
  if (options.note) additions.notes = [...options.note]
  if (options.photo) additions.photos = [...options.photo]
  const ended = options.removed
  const nothing = Object.keys({ ...values, ...additions }).length === 0 && ended === undefined
  if (nothing) return { ok: true, value: undefined }
  return { ok: true, value: { values, additions, ...(ended === undefined ? {} : { ended }) } }
}

const numberKeys = [
  ['latitude', 'latitude'],
  ['longitude', 'longitude'],
  ['height', 'height_m'],
] as const

function sourceIn(typed: string): Record<string, string | number> | undefined {
  const m = /^(.+)=(\d{1,3}(?:\.\d+)?)(?:,(\d{1,6}))?$/.exec(typed)
  if (!m) return undefined
  return { name: m[1], bearing: Number(m[2]), ...(m[3] === undefined ? {} : { distance_m: Number(m[3]) }) }
}

// ---- showing --------------------------------------------------------------------------------------------------------

type Shown = Pick<RegisterOptions, 'exact'>

/** As others see it: degrees to 0.01 unless the exact ones were asked for. */
export function stationJson(one: RegisteredStation, { exact }: Shown = {}): Record<string, unknown> {
  const degrees = (value: number | undefined): number | null =>
    value === undefined ? null : exact ? value : roundedDegrees(value)
  return {
    station: one.station,
    name: one.name ?? null,
    latitude: degrees(one.latitude),
    longitude: degrees(one.longitude),
    height_m: one.heightMetres ?? null,
    sources: one.sources.map(({ name, bearingDegrees, distanceMetres }) => ({
      ...{ name, bearing_deg: bearingDegrees },
      ...(distanceMetres === undefined ? {} : { distance_m: distanceMetres }),
    })),
    deployments: one.deployments,
    notes: one.notes,
    photos: one.photos,
  }
}

function stationLines(one: RegisteredStation, { exact }: Shown): string[] {
  const { name, latitude, longitude, heightMetres } = one
  const degrees = (value: number): string => (exact ? String(value) : roundedDegrees(value).toFixed(2))
  const width = lineWidth()
  const row = (word: string, words: string): string[] =>
    folded(`  ${word.padEnd(labelWidth)}${words}`, width, labelWidth + 2).split('\n')
  return [
    `${one.station}${name === undefined ? '' : ` (${name})`}`,
    ...(latitude === undefined || longitude === undefined
      ? []
      : row('place', `${degrees(latitude)} N, ${degrees(longitude)} E${exact ? '' : ' (rounded)'}`)),
    ...(heightMetres === undefined ? [] : row('height', `${heightMetres} m above the ground`)),
    ...one.sources.flatMap((source) => row('source', sourceWords(source))),
    ...one.deployments.flatMap(({ place, from, to }) =>
      row('deployed', `${place}, ${to === undefined ? `since ${from}` : `${from} to ${to}`}`),
    ),
    ...one.notes.flatMap((note) => row('note', note)),
    ...(one.photos.length === 0 ? [] : row('photos', one.photos.join(', '))),
  ]
}

const labelWidth = 10

const sourceWords = ({
  name,
  bearingDegrees,
  distanceMetres,
}: RegisteredStation['sources'][number]): string =>
  `${name}, towards ${bearingDegrees} deg${distanceMetres === undefined ? '' : `, ${distanceMetres} m away`}`
