import type { BuiltInRuleName, Scaling, WindowName } from '../terms/terms.js'
import type { GaugeChannelName } from './patterns.js'
import type { settingsVersion, SettingsFile } from './schema.js'
import type { DeliverySettings } from './shape-delivery.js'
import type { PowerSettings, SwitchSettings } from './shape-power.js'

/**
 * The settings as the program uses them. One rule for names: a key of the file with its unit written out, in camelCase:
 * `read_every_s` is `readEverySeconds`, `inlet_height_m` is `inletHeightMetres`. Defaults are filled in; what may be left
 * out and has no default is undefined.
 */
export interface Settings {
  readonly version: typeof settingsVersion
  readonly station: StationSettings
  /** One to eight. */
  readonly instruments: readonly InstrumentSettings[]
  readonly gauges: readonly GaugeSettings[]
  readonly supply: { readonly lowFile?: string }
  readonly power?: PowerSettings
  readonly data: {
    readonly folder: string
    readonly mustBeMounted: boolean
    readonly recordSeconds: number
    readonly flushEverySeconds: number
  }
  readonly runtime: { readonly folder?: string; readonly groupAccess: boolean }
  readonly clock: ClockSettings
  readonly alerts: readonly AlertSettings[]
  readonly builtInAlerts: readonly BuiltInAlertSettings[]
  readonly case: { readonly openFile?: string }
  readonly delivery?: DeliverySettings
  readonly uplink: UplinkSettings
  readonly site?: SiteSettings
  readonly limits: LimitSettings
  readonly health: { readonly everyMinutes: number }
  readonly log: { readonly level: 'info' | 'warn' | 'debug' }
}

export interface LimitSettings {
  /** Name of a file in config/limits without .yaml. */
  readonly set?: string
  /** As written; `limits` reads them. */
  readonly own: SettingsFile['limits']['own']
  readonly correctionFiles: readonly string[]
}

export interface ClockSettings {
  readonly trust: 'auto' | 'system' | 'ntp-file' | 'none'
  /** There once the network has set the clock. */
  readonly ntpFile: string
  readonly satellite?: TimeLineSettings
  readonly modem?: TimeLineSettings
}

export interface TimeLineSettings {
  readonly port: string
  readonly baud: number
  readonly everyMinutes: number
}

export interface StationSettings {
  readonly name: string
  readonly group: string
  /** At most one of the two is there; none means UTC. `standardOffsetMinutes` answers for both. */
  readonly timeZone?: string
  readonly standardOffsetMinutes?: number
}

export interface InstrumentSettings {
  readonly name?: string
  /** Name of a file in config/instruments without .yaml, or a path that ends in .yaml. */
  readonly layout: string
  /** As written; `portKind` tells the three kinds apart. */
  readonly port: string
  readonly baud?: number
  readonly slot?: string
  readonly scaling: Scaling
  readonly serial?: string
  readonly readEverySeconds: number
  readonly warmUpSeconds: number
  readonly silentAfterSeconds: number
  readonly reopenAfterSeconds: number
  readonly dtr?: boolean
  /** Absent: as the layout says. */
  readonly mode?: 'active' | 'polled'
  readonly outdoors: boolean
  readonly box?: string
  readonly sleepOnStop: boolean
  readonly cleanEveryHours?: number
  readonly powerCycle?: PowerCycleSettings
  readonly powerSwitch?: SwitchSettings
}

export interface PowerCycleSettings {
  /** The program and its words. */
  readonly command: readonly string[]
  readonly afterSeconds: number
  readonly everyMinutes: number
  readonly limitSeconds: number
}

export type GaugeSettings = FileGaugeSettings | LineGaugeSettings

export interface FileGaugeSettings {
  readonly kind: 'hwmon' | 'power_supply' | 'iio'
  readonly path: string
  readonly device: string
  readonly channels: readonly {
    readonly channel: GaugeChannelName
    readonly file: string
    readonly factor: number
  }[]
}

/** Its channels stand in its layout. */
export type LineGaugeSettings = {
  /** As written; `portKind` tells the kinds apart. */
  readonly port: string
  /** Absent: as the layout says. */
  readonly baud?: number
  /** Name of a file in config/gauges without .yaml, or a path that ends in .yaml. */
  readonly layout: string
} & ({ readonly kind: 'modbus'; readonly address: number } | { readonly kind: 'text' })

/** What is other about a rule out of the box. */
export interface BuiltInAlertSettings {
  readonly rule: BuiltInRuleName
  readonly use: boolean
  /** Level and way back in ug/m3, for rules of particles only. */
  readonly above?: number
  readonly backAt?: number
  /** For rules of troubles only. */
  readonly afterMinutes?: number
  readonly priority?: 'low' | 'normal' | 'high'
}

export interface AlertSettings {
  readonly rule: string
  /** With slot, where the channel has one. */
  readonly channel: string
  readonly average: WindowName
  readonly direction: 'above' | 'below'
  /** Level and backAt in the unit of the channel. */
  readonly level: number
  readonly backAt: number
  readonly onDelayMinutes: number
  readonly offDelayMinutes: number
  readonly minDataCapturePercent: number
  readonly priority: 'low' | 'normal' | 'high'
}

export type UplinkSettings = { readonly mode: 'none' } | MqttSettings

export interface MqttSettings {
  readonly mode: 'mqtt'
  readonly url: string
  readonly protocol: 4 | 5
  /** Absent: made of group, station and store, so that a second card is another client. */
  readonly clientId?: string
  readonly username?: string
  readonly passwordFile?: string
  readonly caFile?: string
  readonly certFile?: string
  readonly keyFile?: string
  readonly packEveryMinutes: number
  /** 0: off. */
  readonly keepaliveSeconds: number
  readonly answerLimitSeconds: number
  readonly receipts: 'required' | 'none'
  readonly encoding: 'cbor' | 'json'
  readonly connection: 'kept' | 'per-pack'
  /** 0: no limit. */
  readonly dailyBudgetKilobytes: number
  readonly resendAfterMinutes: number
  readonly ladder: readonly LadderStepSettings[]
}

export interface LadderStepSettings {
  readonly step: 'interface' | 'modem-reset' | 'modem-power' | 'reboot'
  /** The program and its words. */
  readonly command: readonly string[]
  readonly afterMinutes: number
  readonly everyMinutes: number
  readonly mostADay: number
  readonly limitSeconds: number
}

export interface SiteSettings {
  readonly inletHeightMetres?: number
  readonly freeArcDegrees?: number
  readonly nearestObstacleMetres?: number
  readonly nearestRoadMetres?: number
  readonly sources: readonly {
    readonly name: string
    readonly bearingDegrees?: number
    readonly distanceMetres?: number
  }[]
  readonly permission?: string
  readonly photos: readonly string[]
}
