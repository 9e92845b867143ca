import { withLimit } from '../hardware/limit.js'
import { commandSwitch } from '../hardware/power-switch.js'
import { recordingLine } from '../hardware/recording-line.js'
import { cronScheduler } from '../hardware/scheduler.js'
import { serialLine } from '../hardware/serial-line.js'
import { findSupplyAlarm, SupplyAlarm } from '../hardware/supply-alarm.js'
import { tcpLine } from '../hardware/tcp-line.js'
import { command, createDecoder, readingBytes, scalingsOf, type Layout } from '../instruments/instruments.js'
import { usualScreening } from '../screening/screening.js'
import type { InstrumentSettings, Settings } from '../settings/settings.js'
import {
  gaugeChannel,
  Station,
  usualSilence,
  type StationOptions,
  type StationPorts,
} from '../station/station.js'
import {
  good,
  portKind,
  utcMillis,
  type Clock,
  type Fault,
  type LineFactory,
  type Log,
  type Outcome,
  type PowerSwitch,
  type SupplySign,
} from '../terms/terms.js'
import { hostOf } from './broker-address.js'
import { alertOptions, caseOpenOf } from './compose-alerts.js'
import { composeGauges } from './compose-gauges.js'
import { deliveryOptions, deliveryPorts, modemPortOf } from './compose-delivery.js'
import { linkStepsOf, uplinkMaker } from './compose-uplink.js'
import { claimDetails, claimFault, keyDetails, keyFaultOf, type DataFolder } from './data-folder.js'
import { commandsOf } from './instrument-commands.js'
import { version } from './package-root.js'
import { energyOptions, powerPorts, switchPort } from './compose-power.js'
import type { Plan } from './preparation.js'
import { timeLinesOf } from './time-lines.js'

/** Time before which this program did not exist: no clock that says less is believed. */
const programMade = utcMillis(Date.UTC(2026, 10, 1))

/** A serial server may stand behind a metered link, where each attempt costs bytes. */
const longestTcpRetrySeconds = 60

/** A device that is asked just now answers in less; what hangs is left behind. */
const closeLimitSeconds = 3

export interface ComposedStation {
  readonly station: Station
  /** To be called when it has stopped: lets the ports of its gauges and the files of its store go. */
  readonly close: () => Promise<void>
}

/** Makes the real station that the plan describes, on an open data folder. Everything else it needs is opened here. */
export async function composeStation(
  plan: Plan,
  folder: DataFolder,
  clock: Clock,
  log: Log,
  commands?: StationPorts['commands'],
): Promise<Outcome<ComposedStation>> {
  const { settings, layouts } = plan
  const gauges = composeGauges(settings, plan.gaugeLayouts)
  const makeUplink = uplinkMaker(settings, clock, folder)
  if (!makeUplink.ok) {
    await folder.disk.close()
    return makeUplink
  }
  const modemPort = modemPortOf(settings)
  const ports: StationPorts = {
    clock,
    log,
    instruments: settings.instruments.map((instrument, i) =>
      instrumentPorts(instrument, layouts[i], i, onceEach(log)),
    ),
    store: folder.store,
    state: folder.state,
    signingKey: folder.signingKey,
    nextKey: folder.nextKey,
    freeBytes: () => folder.disk.freeBytes(),
    residentBytes: () => process.memoryUsage.rss(),
    scheduler: cronScheduler,
    makeUplink: makeUplink.value,
    linkSteps: linkStepsOf(settings),
    supply: supplySignOf(settings),
    ...caseOpenOf(settings),
    ...powerPorts(settings),
    timeLines: timeLinesOf(settings, modemPort),
    telling: deliveryPorts(settings, modemPort),
    commands,
    gauges: gauges.gauges.map(({ gauge, channels }) => ({ gauge, channels: channels.map(gaugeChannel) })),
  }
  const station = await Station.start(stationOptions(plan, folder), ports)
  const otherBoard = claimFault(folder.claim)
  if (otherBoard) station.faults.raise('identity', otherBoard, clock.mono())
  const otherKey = keyFaultOf(folder)
  if (otherKey) station.faults.raise('key', otherKey, clock.mono())
  if (folder.inMemory) station.faults.raise('data folder', folder.inMemory, clock.mono())
  const close = async (): Promise<void> => {
    await withLimit(Promise.all([gauges.close(), modemPort?.end()]), closeLimitSeconds)
    await folder.disk.close()
  }
  return good({ station, close })
}

/** A port says at each opening what it cannot do; people are told the first time. */
function onceEach(log: Log): (fault: Fault) => void {
  const told = new Set<string>()
  return ({ code, detail }) => {
    if (told.has(code)) return
    told.add(code)
    log.info(detail, { code })
  }
}

function stationOptions(
  { settings, layouts, eventDetails, measuring, standardOffsetMinutes, dayLevels }: Plan,
  folder: DataFolder,
): StationOptions {
  const { claim, keyFingerprint, inMemory } = folder
  return {
    station: settings.station.name,
    group: settings.station.group,
    readEverySeconds: Math.min(...settings.instruments.map((instrument) => instrument.readEverySeconds)),
    recordSeconds: settings.data.recordSeconds,
    flushEverySeconds: settings.data.flushEverySeconds,
    healthEverySeconds: settings.health.everyMinutes * 60,
    ...alertOptions(settings, layouts, dayLevels),
    notBefore: programMade,
    startDetails: { version, ...claimDetails(claim), ...(inMemory ? { disk: 'memory' } : {}) },
    keyFingerprint,
    keyDetails: keyDetails(folder),
    software: version,
    measuring,
    settingsDetails: eventDetails,
    standardOffsetMinutes,
    telling: deliveryOptions(settings, standardOffsetMinutes),
    ...energyOptions(settings, standardOffsetMinutes),
  }
}

function instrumentPorts(
  settings: InstrumentSettings,
  layout: Layout,
  index: number,
  onNote: (fault: Fault) => void,
): StationPorts['instruments'][number] {
  const { slot, scaling } = settings
  return {
    options: {
      silentAfterSeconds: settings.silentAfterSeconds,
      reopenAfterSeconds: settings.reopenAfterSeconds,
      longestRetrySeconds:
        portKind(settings.port) === 'tcp' ? longestTcpRetrySeconds : usualSilence.longestRetrySeconds,
      name: settings.name ?? `sensor ${slot ?? index + 1}`,
      slot,
      box: settings.box,
      readEverySeconds: settings.readEverySeconds,
      screening: {
        ...usualScreening,
        warmUpSeconds: settings.warmUpSeconds,
        outdoors: settings.outdoors,
      },
      frameBytes: layout.framing.kind === 'lines' ? 0 : readingBytes(layout),
      ...commandsOf(settings, layout),
      planned: { command: command(layout, 'sleep'), supply: switchPort(settings.powerSwitch) },
      powerCycle: settings.powerCycle && {
        afterSeconds: settings.powerCycle.afterSeconds,
        everySeconds: settings.powerCycle.everyMinutes * 60,
      },
    },
    power: powerSwitchOf(settings),
    lines: lineOf(settings, layout, onNote),
    makeDecoder: (sink) =>
      createDecoder(layout, { sink, slot, scaling: scalingsOf(layout).length > 0 ? scaling : undefined }),
  }
}

function powerSwitchOf({ powerCycle }: InstrumentSettings): PowerSwitch | undefined {
  if (!powerCycle) return undefined
  const [program, ...words] = powerCycle.command
  return commandSwitch([program, ...words], powerCycle.limitSeconds)
}

/** The file of the settings, or the one that this board has. */
function supplySignOf({ supply }: Settings): SupplySign | undefined {
  const file = supply.lowFile ?? findSupplyAlarm('/sys/class/hwmon')
  return file === undefined ? undefined : new SupplyAlarm(file)
}

export function lineOf(
  settings: InstrumentSettings,
  layout: Layout,
  onNote: (fault: Fault) => void,
): LineFactory {
  const { port } = settings
  const kind = portKind(port)
  if (kind === 'file') {
    const perPull = Math.ceil((readingBytes(layout) * settings.readEverySeconds) / layout.periodSeconds)
    return recordingLine(port.slice('file:'.length), perPull)
  }
  if (kind === 'tcp') {
    const at = new URL(port)
    return tcpLine(hostOf(at), Number(at.port))
  }
  return serialLine(port, settings.baud ?? layout.baud, settings.dtr, onNote)
}
