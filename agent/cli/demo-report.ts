import { SiteLog } from '../sitelog/sitelog.js'
import { numberText, type EventLine } from '../terms/terms.js'
import { daysOf, type DemoDay } from './demo-days.js'
import { valueOf, type FarEnd, type FarRecord } from './demo-far-end.js'
import { rules } from './demo-scene.js'
import { folded, localText, tableText, textWidth, unitOf, wholeNumbers } from './demo-words.js'

export interface ReportedStation {
  readonly name: string
  /** Seen from the haul road. */
  readonly bearingDegrees: number
  readonly farEnd: FarEnd
}

const percent = (share: number): string => `${numberText(share * 100, 1)} %`

/** What a phone would have got: each change of an alert in the order of time. */
export function messagesText(stations: readonly ReportedStation[]): string[] {
  return stations
    .flatMap((station) =>
      station.farEnd.events
        .filter((event) => event.name === 'alert' && event.utc !== undefined)
        .map((event) => ({ at: event.utc!, text: messageText(station, event) })),
    )
    .sort((a, b) => a.at - b.at)
    .map(({ text }) => folded(text, textWidth, 11))
}

function messageText(station: ReportedStation, { utc, details }: EventLine): string {
  const rule = rules.find((one) => one.rule === details.rule)!
  const mean = `${rule.average} mean ${rule.rule === 'dust' ? wholeNumbers(details.value) : details.value}`
  const [over, back] = rule.direction === 'above' ? ['over', 'below'] : ['under', 'above']
  const where = `${localText(utc!)}  ${station.name}: ${watchedWords[rule.rule]}`
  if (details.state !== 'raised') return `${where} is back ${back} ${rule.backAt} ${unitOf(rule)}: ${mean}`
  const text = `${where} ${over} ${rule.level} ${unitOf(rule)}: ${mean}`
  if (rule.rule !== 'dust') return text
  const minutes = station.farEnd.records.filter(
    ({ line: { utc: at } }) => at! <= utc! && at! > utc! - 600_000,
  )
  return `${text}; ${windText(minutes, station.bearingDegrees)}`
}

const watchedWords: Readonly<Record<string, string>> = { dust: 'PM10', battery: 'battery' }

/** So far from the straight line a wind still comes from the road. */
const fromTheRoadDegrees = 40

/** Mean wind of some minutes: direction of the sum of the vectors, mean of the speeds. */
function windText(records: readonly FarRecord[], bearingDegrees: number): string {
  let north = 0
  let east = 0
  let speeds = 0
  for (const record of records) {
    const speed = valueOf(record, 'wind_speed', 'mean')
    const from = (valueOf(record, 'wind_from', 'mean') / 180) * Math.PI
    north += speed * Math.cos(from)
    east += speed * Math.sin(from)
    speeds += speed
  }
  const from = ((Math.atan2(east, north) / Math.PI) * 180 + 360) % 360
  const off = Math.abs(((from - bearingDegrees + 720) % 360) - 180)
  const road = off <= fromTheRoadDegrees ? ', over the haul road' : ''
  return `wind from ${numberText(from, 0)}° at ${numberText(speeds / records.length, 1)} m/s${road}`
}

/** One row for each station and day. */
export function daysText(stations: readonly ReportedStation[]): string[] {
  const headings = [
    ['station', 'day', 'full', 'PM2.5', 'PM10', 'data', 'sampled', 'alerts', 'battery'],
    ['', '', 'hours', 'µg/m³', 'µg/m³', 'capture', 'share', '', 'lowest'],
  ]
  const rows = stations.flatMap(({ name, farEnd }) => daysOf(farEnd).map((day) => dayRow(name, day)))
  return tableText([...headings, ...rows], 2)
}

function dayRow(station: string, { name, pm2_5, pm10, alerts, lowestBatteryPercent }: DemoDay): string[] {
  const mass = ({ mean, atLeast }: DemoDay['pm10']): string => `${atLeast ? '≥' : ''}${numberText(mean, 1)}`
  return [
    station,
    name,
    String(pm10.fullHours),
    mass(pm2_5),
    mass(pm10),
    percent(pm10.dataCapture),
    percent(pm10.sampledShare),
    String(alerts),
    `${numberText(lowestBatteryPercent, 0)} %`,
  ]
}

/** Minutes excluded or marked by reason, over the whole story; only reasons that occurred. */
export function reasonsText(stations: readonly ReportedStation[], which: 'excluded' | 'marked'): string[] {
  const byStation = stations.map(({ name, farEnd }) => ({ name, minutes: minutesByReason(farEnd, which) }))
  const reasons = [...new Set(byStation.flatMap(({ minutes }) => [...minutes.keys()]))]
  const heading = [`minutes ${which}`, ...(reasons.length > 0 ? reasons : ['none'])]
  const rows = byStation.map(({ name, minutes }) => [
    name,
    ...heading.slice(1).map((reason) => numberText(minutes.get(reason) ?? 0, 1)),
  ])
  return tableText([heading, ...rows], 1)
}

function minutesByReason({ records }: FarEnd, which: 'excluded' | 'marked'): Map<string, number> {
  const minutes = new Map<string, number>()
  for (const { line } of records)
    for (const [reason, seconds] of Object.entries(line[which])) {
      const name = reason.split('.')[0]
      minutes.set(name, (minutes.get(name) ?? 0) + seconds / 60)
    }
  return minutes
}

/** What people noted at the stations. */
export function siteLogText(stations: readonly ReportedStation[]): string[] {
  return stations
    .flatMap(({ name, farEnd }) =>
      new SiteLog(farEnd.events).entries().map(({ entry, from }) => ({ name, entry, from })),
    )
    .filter(({ entry, from }) => entry !== undefined && from !== undefined)
    .sort((a, b) => a.from! - b.from!)
    .map(({ name, entry, from }) => {
      const note = entry!.note === undefined ? '' : `: ${entry!.note}`
      return folded(`${localText(from!)}  ${name}: ${entry!.kind}${note} (${entry!.who})`, textWidth, 11)
    })
}
