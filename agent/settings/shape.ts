/** Makes the settings as the program uses them (shape-types.ts) of the file as it is written. */
import { channelKinds, type ChannelName } from '../terms/terms.js'
import type { GaugeChannelName } from './patterns.js'
import type { settingsVersion, SettingsFile } from './schema.js'
import { deliveryOf } from './shape-delivery.js'
import { powerOf, switchOf } from './shape-power.js'
import type {
  AlertSettings,
  ClockSettings,
  GaugeSettings,
  InstrumentSettings,
  Settings,
  SiteSettings,
  TimeLineSettings,
  UplinkSettings,
} from './shape-types.js'

export type * from './shape-types.js'

// ---- defaults that depend on other keys -----------------------------------------------------------------------------

/** Part of the level by which a value must be back inside; common practice, no source. */
const deadbandShare = 0.1
/** Where a tenth would be out of reach: a 12 V battery lives within 2 V, the air pressure within a few percent. */
const narrowBands: Partial<Record<ChannelName, number>> = { battery_voltage: 0.03, pressure: 0.005 }

/**
 * Where a rule is over when the file does not say: a tenth inside the level (less for battery voltage and pressure), at
 * least ten steps of the channel's last decimal, at most half-way to the end of the channel's range.
 */
function defaultBackAt(channel: string, direction: 'above' | 'below', level: number): number {
  const name = channel.split('.')[0] as ChannelName
  const kind = channelKinds[name]
  const share = narrowBands[name] ?? deadbandShare
  const band = Math.max(Math.abs(level) * share, 10 ** (1 - kind.decimals))
  const room = direction === 'above' ? level - kind.lowest : kind.highest - level
  const inside = Math.min(band, room / 2)
  return Number((direction === 'above' ? level - inside : level + inside).toFixed(kind.decimals + 1))
}

const usualFolders = {
  hwmon: '/sys/class/hwmon',
  power_supply: '/sys/class/power_supply',
  iio: '/sys/bus/iio/devices',
} as const

// ---- file and settings ----------------------------------------------------------------------------------------------

export function settingsOf(file: SettingsFile): Settings {
  const { version, station, data, health } = file
  return {
    version: version as typeof settingsVersion,
    station: given({
      name: station.name,
      group: station.group,
      timeZone: station.time_zone,
      standardOffsetMinutes: station.standard_offset_min,
    }),
    instruments: file.instruments.map(instrumentOf),
    gauges: file.gauges.map(gaugeOf),
    supply: given({ lowFile: file.supply.low_file }),
    ...(file.power ? { power: powerOf(file.power) } : {}),
    data: {
      folder: data.folder,
      mustBeMounted: data.must_be_mounted,
      recordSeconds: data.record_s,
      flushEverySeconds: data.flush_every_s,
    },
    runtime: given({ folder: file.runtime.folder, groupAccess: file.runtime.group_access }),
    clock: clockOf(file.clock),
    alerts: file.alerts.map(alertOf),
    builtInAlerts: file.built_in_alerts.map(({ rule, use, above, back_at, after_min, priority }) =>
      given({ rule, use, above, backAt: back_at, afterMinutes: after_min, priority }),
    ),
    case: given({ openFile: file.case.open_file }),
    uplink: uplinkOf(file),
    ...(file.site ? { site: siteOf(file.site) } : {}),
    limits: given({
      set: file.limits.set,
      own: file.limits.own,
      correctionFiles: file.limits.correction_files,
    }),
    health: { everyMinutes: health.every_min },
    log: file.log,
    // Last: of very long settings an event line leaves out the end.
    ...(file.delivery ? { delivery: deliveryOf(file.delivery) } : {}),
  }
}

/** Without the keys that are undefined: equal settings are deeply equal. */
const given = <T extends object>(value: T): T =>
  Object.fromEntries(Object.entries(value).filter(([, one]) => one !== undefined)) as T

function clockOf({ trust, ntp_file, satellite, modem }: SettingsFile['clock']): ClockSettings {
  const lineOf = (line: typeof modem): TimeLineSettings | undefined =>
    line && { port: line.port, baud: line.baud, everyMinutes: line.every_min }
  return given({ trust, ntpFile: ntp_file, satellite: lineOf(satellite), modem: lineOf(modem) })
}

function instrumentOf(file: SettingsFile['instruments'][number]): InstrumentSettings {
  const { read_every_s, warm_up_s, silent_after_s, reopen_after_s } = file
  const { sleep_on_stop, clean_every_h, power_cycle } = file
  return given({
    name: file.name,
    layout: file.layout,
    port: file.port,
    baud: file.baud,
    slot: file.slot,
    scaling: file.scaling,
    serial: file.serial,
    readEverySeconds: read_every_s,
    warmUpSeconds: warm_up_s,
    silentAfterSeconds: silent_after_s,
    reopenAfterSeconds: reopen_after_s,
    dtr: file.dtr,
    mode: file.mode,
    outdoors: file.outdoors,
    box: file.box,
    sleepOnStop: sleep_on_stop,
    cleanEveryHours: clean_every_h,
    powerCycle: power_cycle && {
      command: power_cycle.command,
      afterSeconds: power_cycle.after_s,
      everyMinutes: power_cycle.every_min,
      limitSeconds: power_cycle.limit_s,
    },
    powerSwitch: file.power_switch && switchOf(file.power_switch),
  })
}

/** What a kind needs the cross checks have seen. */
function gaugeOf(gauge: SettingsFile['gauges'][number]): GaugeSettings {
  const { kind, baud } = gauge
  if (kind === 'modbus' || kind === 'text') {
    const same = { port: gauge.port!, baud, layout: gauge.layout! }
    return kind === 'text' ? given({ kind, ...same }) : given({ kind, ...same, address: gauge.address! })
  }
  const channels = Object.entries(gauge.channels!).map(([channel, from]) => ({
    channel: channel as GaugeChannelName,
    file: typeof from === 'string' ? from : from.file,
    factor: typeof from === 'string' ? 1 : from.factor,
  }))
  return { kind, path: gauge.path ?? usualFolders[kind], device: gauge.device!, channels }
}

function alertOf(alert: SettingsFile['alerts'][number]): AlertSettings {
  const direction = alert.above === undefined ? 'below' : 'above'
  const level = (alert.above ?? alert.below)!
  return {
    rule: alert.rule,
    channel: alert.channel,
    average: alert.average,
    direction,
    level,
    backAt: alert.back_at ?? defaultBackAt(alert.channel, direction, level),
    onDelayMinutes: alert.on_delay_min,
    offDelayMinutes: alert.off_delay_min,
    minDataCapturePercent: alert.min_data_capture_percent,
    priority: alert.priority,
  }
}

function uplinkOf({ uplink }: SettingsFile): UplinkSettings {
  if (uplink.mode !== 'mqtt') return { mode: 'none' }
  return given({
    mode: 'mqtt',
    url: uplink.url!,
    protocol: uplink.protocol as 4 | 5,
    clientId: uplink.client_id,
    username: uplink.username,
    passwordFile: uplink.password_file,
    caFile: uplink.ca_file,
    certFile: uplink.cert_file,
    keyFile: uplink.key_file,
    packEveryMinutes: uplink.pack_every_min,
    keepaliveSeconds: uplink.keepalive_s,
    answerLimitSeconds: uplink.answer_limit_s,
    receipts: uplink.receipts,
    encoding: uplink.encoding,
    connection: uplink.connection,
    dailyBudgetKilobytes: uplink.daily_budget_kb,
    resendAfterMinutes: uplink.resend_after_min,
    ladder: uplink.ladder.map((one) => ({
      step: one.step,
      command: one.command,
      afterMinutes: one.after_min,
      everyMinutes: one.every_min,
      mostADay: one.most_a_day,
      limitSeconds: one.limit_s,
    })),
  })
}

function siteOf(site: NonNullable<SettingsFile['site']>): SiteSettings {
  return given({
    inletHeightMetres: site.inlet_height_m,
    freeArcDegrees: site.free_arc_deg,
    nearestObstacleMetres: site.nearest_obstacle_m,
    nearestRoadMetres: site.nearest_road_m,
    sources: site.sources.map(({ name, bearing_deg, distance_m }) =>
      given({ name, bearingDegrees: bearing_deg, distanceMetres: distance_m }),
    ),
    permission: site.permission,
    photos: site.photos,
  })
}
