import { StationClock, usualClock } from '../clock/clock.js'
import { FaultBoard, type FaultChange } from '../health/health.js'
import { columnsOf } from '../minutes/minutes.js'
import { usualVisit, usualZeroCheck } from '../sitelog/sitelog.js'
import {
  bootWord,
  columnSet,
  faultCatalogue,
  faultText,
  InFlight,
  type ColumnSet,
  type EventLine,
  type Log,
  type MonoSeconds,
} from '../terms/terms.js'
import type { Uplink } from '../uplink/uplink.js'
import { AlertWatch } from './alert-watch.js'
import type { CommandWatch } from './command-watch.js'
import type { DeliveryWatch } from './delivery-watch.js'
import type { EnergyWatch } from './energy-watch.js'
import { GaugeRunner } from './gauge-runner.js'
import { InstrumentRunner } from './instrument-runner.js'
import { JobWatch } from './job-watch.js'
import { LinkLadder } from './link-ladder.js'
import { makeCommands } from './make-commands.js'
import { makeDelivery } from './make-delivery.js'
import { chargeRunner, makeEnergy } from './make-energy.js'
import type { ModemHours } from './modem-hours.js'
import type { StationOptions, StationPorts } from './options.js'
import { PairWatch } from './pair-watch.js'
import { RunningAverages } from './running-averages.js'
import { SiteWatch } from './site-watch.js'
import { SurroundingsWatch } from './surroundings-watch.js'
import { TroubleWatch } from './trouble-watch.js'

/** The parts of a station, wired to each other in the order of the data. */
export interface Parts {
  readonly boot: string
  readonly clock: StationClock
  readonly faults: FaultBoard
  readonly uplink: Uplink | undefined
  readonly ladder: LinkLadder | undefined
  readonly jobs: JobWatch
  readonly instruments: readonly InstrumentRunner[]
  readonly gauges: readonly GaugeRunner[]
  readonly surroundings: SurroundingsWatch
  readonly pairs: PairWatch
  readonly energy: EnergyWatch | undefined
  readonly modem: ModemHours | undefined
  readonly set: ColumnSet
  readonly averages: RunningAverages
  readonly alerting: AlertWatch
  readonly troubles: TroubleWatch
  readonly delivery: DeliveryWatch | undefined
  readonly commands: CommandWatch | undefined
  readonly site: SiteWatch
  readonly inFlight: InFlight
}

/** What the parts ask of the station around them. */
export interface Hooks {
  /** Writes an event line. */
  readonly event: (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>) => EventLine
  /** Brings the lines so far to the disk; whether that has worked. */
  readonly whenSafe: () => Promise<boolean>
  /** Brings lines and checkpoint to the disk: the board may end. */
  readonly makeSafe: () => Promise<void>
  /** A fault began or is over: health is told soon. */
  readonly onFault: () => void
  /** End of the newest record. */
  readonly end: () => MonoSeconds
  /** The health message as it would be now. */
  readonly health: () => Record<string, unknown>
  /** Entries of the site log came. */
  readonly onEntries: () => void
}

export function makeParts(options: StationOptions, ports: StationPorts, hooks: Hooks): Parts {
  const now = ports.clock.mono()
  const mono = () => ports.clock.mono()
  const faults = new FaultBoard((change) => {
    logFault(ports.log, change)
    hooks.onFault()
  })
  const inFlight = new InFlight()
  const clock = new StationClock({ ...usualClock, notBefore: options.notBefore })
  const asked = ports.gauges.map(({ gauge, channels }) => new GaugeRunner(gauge, channels, faults))
  const charge = chargeRunner(options, asked, () => energy, faults)
  const gauges = charge ? [...asked, charge] : asked
  const base = { boot: bootWord(ports.clock.bootId), clock, faults, gauges, inFlight }
  const uplink = ports.makeUplink?.({
    raise: (fault) => faults.raise('uplink', fault, mono()),
    clear: (...codes) => faults.clear('uplink', ...codes),
  })
  const ladder =
    uplink &&
    new LinkLadder(ports.linkSteps ?? [], uplink, faults, {
      tell: (name, details) => void hooks.event(mono(), name, details),
      makeSafe: hooks.makeSafe,
    })
  const instruments: InstrumentRunner[] = ports.instruments.map(
    ({ options: o, lines, makeDecoder, power }) =>
      new InstrumentRunner(o, lines, makeDecoder, faults, (work) => inFlight.track(work), now, {
        power,
        tell: (name, details) => void hooks.event(mono(), name, details),
        temperatureC: (at) => surroundings.temperatureC(at),
      }),
  )
  const screens = instruments.map((instrument) => instrument.screen)
  const surroundings = new SurroundingsWatch(gauges, screens, ports.supply, faults)
  const { energy, modem } = makeEnergy(options, ports, hooks, {
    clock,
    faults,
    inFlight,
    gauges: asked,
    instruments,
    surroundings,
    alerted: () => alerting.isRaisedOf(measured),
  })
  if (uplink && modem?.rests)
    uplink.announcements.nextContact = (at, every) => modem.nextContactSeconds(at, every)
  const set = columnSet([...instruments, ...gauges].flatMap((part) => columnsOf(part.channels)))
  const boxed = instruments.map(({ channels }, i) => ({ channels, box: ports.instruments[i].options.box }))
  const pairs = new PairWatch(boxed, set, faults)
  const measured = new Set(instruments.flatMap(({ channels }) => channels.map(({ key }) => key)))
  const averages = averagesFor(options, measured, set)
  const { standardOffsetMinutes = 0 } = options
  const alertPorts = {
    event: hooks.event,
    utcAt: clock.at.bind(clock),
    humidityPercent: (at: MonoSeconds) => surroundings.humidityPercent(at),
    log: ports.log,
    standardOffsetMinutes,
  }
  const alerting = new AlertWatch(options.rules, averages, alertPorts, now)
  const around = {
    parts: (): Parts => parts,
    standardOffsetMinutes,
    caseOpen: ports.caseOpen,
    startedAt: now,
  }
  const troubles = new TroubleWatch(options.troubles ?? [], around, alertPorts, alerting.lastChange)
  const linked = { uplink, ladder, energy, modem, jobs: new JobWatch(faults, mono) }
  const delivery = makeDelivery(options, ports, hooks, { ...base, uplink, modem, averages, energy })
  const measuring = {
    ...base,
    ...linked,
    instruments,
    surroundings,
    set,
    pairs,
    averages,
    alerting,
    troubles,
    delivery,
    commands: makeCommands(options, ports, hooks, (): Parts => parts, { ...base, uplink }),
  }
  const parts = { ...measuring, site: makeSite(options, ports, hooks, measuring) }
  return parts
}

function logFault(log: Log, { fault, stands }: FaultChange): void {
  const details = { code: fault.code, detail: fault.detail }
  const { words, severity } = faultCatalogue[fault.code]
  if (!stands) log.info(`over: ${words}`, details)
  else if (severity === 'note') log.info(faultText(fault), details)
  else log.warn(faultText(fault), details)
}

/** What is measured, and whatever else a rule watches: a battery, say. */
function averagesFor(
  { rules }: StationOptions,
  measured: ReadonlySet<string>,
  set: ColumnSet,
): RunningAverages {
  return new RunningAverages(set, new Set([...measured, ...rules.map(({ channel }) => channel)]), measured)
}

function makeSite(
  { site = { visit: usualVisit, zeroCheck: usualZeroCheck } }: StationOptions,
  ports: StationPorts,
  hooks: Hooks,
  { boot, clock, instruments, inFlight }: Pick<Parts, 'boot' | 'clock' | 'instruments' | 'inFlight'>,
): SiteWatch {
  const mono = () => ports.clock.mono()
  const known = instruments.map((instrument, i) => ({
    slot: ports.instruments[i].options.slot,
    measuresMass: instrument.channels.some(({ name }) => name === 'pm2_5'),
    surroundings: instrument.screen.surroundings,
  }))
  return new SiteWatch(site, known, {
    here: () => ({ boot, mono: mono(), utc: clock.at(mono()) }),
    write: (name, details) => hooks.event(mono(), name, details),
    store: ports.store,
    track: (work) => inFlight.track(work),
    tell: (words, details) => ports.log.info(words, details),
    onEntries: hooks.onEntries,
  })
}
