import type { AlertRule, TroubleChoice } from '../alerts/alerts.js'
import type { TimeLineOptions } from '../clock/clock.js'
import type { Decoder, ReadingSink } from '../instruments/instruments.js'
import type { Store } from '../store/store.js'
import type {
  BoardPower,
  Channel,
  Clock,
  Gauge,
  LineFactory,
  Log,
  NextKey,
  OnOffSwitch,
  Outcome,
  PowerSwitch,
  Scheduler,
  SigningKey,
  StateFile,
  SupplySign,
  UtcMillis,
} from '../terms/terms.js'
import type { Uplink, UplinkPorts } from '../uplink/uplink.js'
import type { CommandPorts } from './command-watch.js'
import type { TellingOptions, TellingPorts } from './delivery-watch.js'
import type { EnergyOptions } from './energy-watch.js'
import type { InstrumentOptions } from './instrument-options.js'
import type { ModemOptions } from './modem-hours.js'
import type { LinkStep } from './link-ladder.js'
import type { SettingsFromAfar } from './settings-from-afar.js'
import type { SiteOptions } from './site-watch.js'

export interface StationOptions {
  readonly station: string
  readonly group: string
  readonly readEverySeconds: number
  /** Length of a record: 60; shorter only for trials. */
  readonly recordSeconds: number
  readonly flushEverySeconds: number
  readonly healthEverySeconds: number
  readonly rules: readonly AlertRule[]
  /** The rules of the station's own troubles; absent: none is watched. */
  readonly troubles?: readonly TroubleChoice[]
  /** Nothing earlier is a possible present. */
  readonly notBefore: UtcMillis
  /** For the event line of a start: version. */
  readonly startDetails: Readonly<Record<string, string>>
  /** Told in health, so that a group can be compared: the version, and a hash of what is measured how. */
  readonly software?: string
  readonly measuring?: string
  /** The settings without secrets and their `hash`, for an event line when they changed; absent: none is written. */
  readonly settingsDetails?: Readonly<Record<string, string>>
  /** Of the key that signs, for people to note; absent: nobody knows. */
  readonly keyFingerprint?: string
  /** For an event line of the start: it signs with another key than before, for which nobody vouches; see FORMAT.md, 'Keys'. */
  readonly keyDetails?: Readonly<Record<string, string>>
  /** Days are cut in local standard time, so many minutes ahead of UTC; absent: 0. */
  readonly standardOffsetMinutes?: number
  /** Battery, sun and sampling plan; absent: the sensors always run, and nothing is said of charge. */
  readonly energy?: EnergyOptions
  /** When the station may connect; absent: always. */
  readonly modem?: ModemOptions
  /** Who is told of alerts; absent: nobody but those who read the retained messages. */
  readonly telling?: TellingOptions
  /** How long visits and zero checks last; absent: the usual. */
  readonly site?: SiteOptions
}

export interface StationPorts {
  readonly clock: Clock
  readonly store: Store
  readonly state: StateFile
  /** The key that the day's seal is signed with; asked for until it is there. Absent: seals are not signed. */
  readonly signingKey?: () => Promise<Outcome<SigningKey>>
  /** Where the next key waits, or why this program cannot make one; absent: this station signs nothing. */
  readonly nextKey?: Outcome<NextKey>
  /** Made with a way to tell its faults; absent: everything stays here. */
  readonly makeUplink?: (faults: UplinkPorts['faults']) => Uplink
  /** What may be done about a link that carries nothing, the gentlest first. */
  readonly linkSteps?: readonly LinkStep[]
  readonly scheduler: Scheduler
  readonly log: Log
  readonly instruments: readonly {
    readonly options: InstrumentOptions
    readonly lines: LineFactory
    readonly makeDecoder: (sink: ReadingSink) => Decoder
    /** What cycles its supply; absent: nothing can. */
    readonly power?: PowerSwitch
  }[]
  /** Free bytes where the data folder lies; absent: nobody knows, and no room is made. */
  readonly freeBytes?: () => Promise<Outcome<number>>
  /** Memory that the agent holds, bytes; absent: nobody knows. */
  readonly residentBytes?: () => number
  /** What tells a low supply of the board; absent: nothing does. */
  readonly supply?: SupplySign
  /** Tells in the same way that the case is open; absent: nothing does. */
  readonly caseOpen?: SupplySign
  /** A satellite receiver or a modem that tells the time now and then; absent: none. */
  readonly timeLines?: readonly TimeLineOptions[]
  /** What switches the modem; absent: nothing. */
  readonly modem?: OnOffSwitch
  /** The ways to those who are told; without them nobody is. */
  readonly telling?: TellingPorts
  /** Whose commands over the link count, what begins the agent anew, and who takes settings; absent: none is heard. */
  readonly commands?: CommandPorts & { readonly restart?: () => void; readonly settings?: SettingsFromAfar }
  /** What ends the board and wakes it; absent: it stays on. */
  readonly board?: BoardPower
  readonly gauges: readonly { readonly gauge: Gauge; readonly channels: readonly Channel[] }[]
}
