/** OpenMetrics 1.0 text of how the stations stand, for a general monitoring program. */
import { standingStates, type CollectorStatus, type StationStanding } from './stations-status-shape.js'

export const openMetricsType = 'application/openmetrics-text; version=1.0.0; charset=utf-8'

export function openMetrics(status: CollectorStatus): string {
  const { stations, packs, lines } = status
  return [
    ...stateSet(stations),
    ...reasons(stations),
    ...gauge(stations, 'heard_timestamp_seconds', 'seconds', 'When it was last heard, Unix time.', (one) =>
      one.heardAt === undefined ? undefined : Date.parse(one.heardAt) / 1000,
    ),
    ...gauge(stations, 'capture_ratio', 'ratio', 'Data capture: used of the planned time.', (one) =>
      ratio(one.capturePercent),
    ),
    ...gauge(stations, 'charge_ratio', 'ratio', 'State of charge of its battery.', (one) =>
      ratio(one.chargePercent),
    ),
    ...gauge(
      stations,
      'clock_error_seconds',
      'seconds',
      'Error bound of its clock.',
      (one) => one.clockErrorSeconds,
    ),
    ...gauge(
      stations,
      'clock_offset_seconds',
      'seconds',
      'Its clock against that of the collector, positive: ahead.',
      (one) => one.clockOffsetSeconds,
    ),
    ...gauge(stations, 'backlog_lines', 'lines', 'Lines that wait to be sent.', (one) => one.backlogLines),
    ...(packs
      ? counter('packs', 'Packs that came, by what became of them.', 'outcome', {
          stored: packs.given,
          ...Object.fromEntries(
            Object.entries(packs.refused).map(([reason, count]) => [`refused: ${reason}`, count]),
          ),
        })
      : []),
    ...(lines ? counter('lines', 'Lines that came, by what became of them.', 'outcome', { ...lines }) : []),
    '# EOF\n',
  ].join('\n')
}

const ratio = (percent: number | undefined): number | undefined =>
  percent === undefined ? undefined : Math.round(percent * 10) / 1000

function stateSet(stations: readonly StationStanding[]): string[] {
  const name = 'motepost_station_state'
  return [
    `# TYPE ${name} stateset`,
    `# HELP ${name} How a station stands; one of the states is 1.`,
    ...stations.flatMap(({ station, state }) =>
      standingStates.map(
        (one) => `${name}{station="${label(station)}",${name}="${one}"} ${one === state ? 1 : 0}`,
      ),
    ),
  ]
}

function reasons(stations: readonly StationStanding[]): string[] {
  const name = 'motepost_station_reason'
  return [
    `# TYPE ${name} gauge`,
    `# HELP ${name} 1 for each reason why a station is not well.`,
    ...stations.flatMap(({ station, reasons: all }) =>
      all.map(({ code }) => `${name}{station="${label(station)}",code="${label(code)}"} 1`),
    ),
  ]
}

function gauge(
  stations: readonly StationStanding[],
  what: string,
  unit: string,
  help: string,
  valueOf: (station: StationStanding) => number | undefined,
): string[] {
  const name = `motepost_station_${what}`
  return [
    `# TYPE ${name} gauge`,
    `# UNIT ${name} ${unit}`,
    `# HELP ${name} ${help}`,
    ...stations.flatMap((one) => {
      const value = valueOf(one)
      return value === undefined ? [] : [`${name}{station="${label(one.station)}"} ${value}`]
    }),
  ]
}

/** Since the collector was started. */
function counter(
  what: string,
  help: string,
  labelName: string,
  counts: Readonly<Record<string, number>>,
): string[] {
  const name = `motepost_collector_${what}`
  return [
    `# TYPE ${name} counter`,
    `# HELP ${name} ${help}`,
    ...Object.entries(counts).map(([word, count]) => `${name}_total{${labelName}="${label(word)}"} ${count}`),
  ]
}

/** Escaped as the text format wants it. */
const label = (text: string): string =>
  text.replaceAll('\\', '\\\\').replaceAll('"', '\\"').replaceAll('\n', '\\n')
