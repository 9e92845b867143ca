import { createHash, createPrivateKey } from 'node:crypto'
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import type { AlertRule } from '../alerts/alerts.js'
import { Collector, usualCollector } from '../collector/collector.js'
import { openFolder, type FolderDisk } from '../hardware/disk.js'
import { mqttBroker, usualMqtt } from '../hardware/mqtt-broker.js'
import { stateFile } from '../hardware/state-file.js'
import { keyName, stationKey } from '../hardware/station-key.js'
import { listenOnLoopback } from '../hardware/tcp-listener.js'
import { createDecoder, readingBytes, type Layout } from '../instruments/instruments.js'
import { usualScreening } from '../screening/screening.js'
import { startEmbeddedBroker, type Door, type EmbeddedBroker } from '../simulation/embedded-broker.js'
import type { Living } from '../simulation/driver.js'
import { MadeGauge } from '../simulation/made-gauge.js'
import { MadeSensor } from '../simulation/made-sensor.js'
import { madeStations, type MadeStation } from '../simulation/made-site.js'
import { seededRandom } from '../simulation/random.js'
import { slateHollow, standardOffsetMinutes, story } from '../simulation/slate-hollow.js'
import { VirtualClock } from '../simulation/virtual-clock.js'
import {
  gaugeChannel,
  reservedNumbers,
  Station,
  usualSilence,
  type StationPorts,
} from '../station/station.js'
import { openStore, type Store } from '../store/store.js'
import { bootWord, good, utcMillis, type Broker, type Log, type Outcome } from '../terms/terms.js'
import { Uplink, usualUplink } from '../uplink/uplink.js'
import { archivesIn } from './archives.js'
import { utcOfSite } from './demo-words.js'
import { loadLayout } from './layouts.js'

export const group = 'slate-hollow'
const often = { average: '10-min', onDelaySeconds: 0, leastDataCapture: 0.75, priority: 'normal' } as const
export const rules: readonly AlertRule[] = [
  {
    ...often,
    rule: 'dust',
    channel: 'pm10',
    direction: 'above',
    level: 150,
    backAt: 120,
    offDelaySeconds: 600,
  },
  {
    ...often,
    rule: 'battery',
    channel: 'state_of_charge',
    direction: 'below',
    level: 30,
    backAt: 40,
    onDelaySeconds: 600,
    offDelaySeconds: 600,
  },
]

export interface Player extends Living {
  readonly made: MadeStation
  readonly sensor: MadeSensor
  readonly store: Store
  /** Its modem: closed while its link is down. */
  door: Door
  readonly folder: string
  readonly archiveFolder: string
}

export interface Scene {
  readonly players: readonly Player[]
  readonly broker: EmbeddedBroker
  readonly collector: Collector
  /** Nothing is written any more: closes sockets and files. */
  close(): Promise<void>
}

export interface SceneOptions {
  readonly folder: string
  readonly seed: number
  readonly logOf: (station: string, clock: VirtualClock) => Log
}

/** Opens everything: three stations on the disk, a broker in this process, a collector with its archive. */
export async function setTheScene(options: SceneOptions): Promise<Outcome<Scene>> {
  const { folder, seed } = options
  const broker = await startEmbeddedBroker(listenOnLoopback)
  const disks: FolderDisk[] = []
  const close = async (): Promise<void> => {
    await broker.close()
    await Promise.all(disks.map((disk) => disk.close()))
  }
  const players: Player[] = []
  for (const [i, made] of madeStations(slateHollow(seed)).entries()) {
    const player = await openPlayer(options, made, i, await broker.openDoor(), disks)
    if (!player.ok) {
      await close()
      return player
    }
    players.push(player.value)
  }
  const collector = new Collector(
    { ...usualCollector, group },
    {
      broker: brokerAt(broker.port, 'collector'),
      random: seededRandom(seed + 2),
      openArchive: archivesIn(join(folder, 'archive'), (disk) => disks.push(disk)),
      faults: { raise: () => undefined, clear: () => undefined },
    },
  )
  return good({ players, broker, collector, close })
}

const brokerAt = (port: number, client: string): Broker =>
  mqttBroker({ ...usualMqtt, host: '127.0.0.1', port, protocol: 4, clientId: `motepost-${group}-${client}` })

async function openPlayer(
  { folder, seed, logOf }: SceneOptions,
  made: MadeStation,
  index: number,
  door: Door,
  disks: FolderDisk[],
): Promise<Outcome<Player>> {
  const { name, layout: layoutName } = made.plan
  const layout = loadLayout(layoutName)
  if (!layout.ok) return layout
  const disk = await openFolder(join(folder, name), { create: true })
  if (!disk.ok) return disk
  disks.push(disk.value)
  const newStoreId = (): string => seededUuid(`${seed} store ${name}`)
  keepSeededKey(join(folder, name), `${seed} key ${name}`)
  const state = stateFile(join(folder, name, 'state.json'))
  const store = await openStore({
    disk: disk.value,
    newStoreId,
    station: name,
    ...(await reservedNumbers(state)),
  })
  if (!store.ok) return store
  // Boards were switched on one after the other, each with a clock of its own.
  const mono = 20 + 7 * index
  const clock = new VirtualClock({
    bootId: seededUuid(`${seed} boot ${name}`),
    mono,
    utc: utcOfSite(story.switchedOn),
  })
  const monoAtZero = mono - story.switchedOn
  const siteTime = (at: number): number => at - monoAtZero
  const sensor = new MadeSensor(clock, siteTime, made.sensor)
  const ports = {
    clock,
    store: store.value,
    state,
    signingKey: () => stationKey(join(folder, name)),
    // Jobs of the calendar go by the real clock; the story has its own.
    scheduler: { calendar: () => ({ stop: () => undefined }) },
    log: logOf(name, clock),
    instruments: [instrumentOf(layout.value, sensor)],
    gauges: gaugesOf(made, clock, siteTime),
    makeUplink: uplinkMaker(name, clock, store.value, brokerAt(door.port, name), seed + 10 + index),
  }
  const station = await Station.start(stationOptions(name), ports)
  const archiveFolder = join(folder, 'archive', name, store.value.storeId)
  return good({
    station,
    clock,
    monoAtZero,
    made,
    sensor,
    store: store.value,
    door,
    folder: join(folder, name),
    archiveFolder,
  })
}

const stationOptions = (station: string) => ({
  station,
  group,
  // The story needs no live view: ten readings a pull, each with its own time, and a tenth of the wake-ups.
  readEverySeconds: 10,
  recordSeconds: 60,
  flushEverySeconds: 300,
  healthEverySeconds: 3600,
  rules,
  notBefore: utcMillis(Date.UTC(2026, 0, 1)),
  standardOffsetMinutes,
  startDetails: { made: 'invented data of the demo' },
})

function uplinkMaker(station: string, clock: VirtualClock, store: Store, broker: Broker, seed: number) {
  const options = { ...usualUplink, group, station, packEverySeconds: 1800 }
  const random = seededRandom(seed)
  const boot = bootWord(clock.bootId)
  return ((faults) => new Uplink(options, { broker, store, random, boot, faults })) satisfies NonNullable<
    StationPorts['makeUplink']
  >
}

/** A sensor that tells its own temperature and humidity measures those of its box. */
function instrumentOf(layout: Layout, lines: MadeSensor): StationPorts['instruments'][number] {
  return {
    options: {
      ...usualSilence,
      name: 'sensor 1',
      screening: usualScreening,
      frameBytes: layout.framing.kind === 'lines' ? 0 : readingBytes(layout),
    },
    lines,
    makeDecoder: (sink) => createDecoder(layout, { sink }),
  }
}

type SiteFunction = (siteSeconds: number) => number

function gaugesOf(
  { battery, weather }: MadeStation,
  clock: VirtualClock,
  siteTime: (mono: number) => number,
) {
  const gauge = (
    name: string,
    of: Readonly<Record<string, SiteFunction>>,
  ): StationPorts['gauges'][number] => ({
    gauge: new MadeGauge(name, clock, siteTime, of),
    channels: Object.keys(of).map(gaugeChannel),
  })
  return [
    gauge('made battery', {
      battery_voltage: (at) => battery.at(at).batteryVolts,
      battery_current: (at) => battery.at(at).batteryAmperes,
      solar_power: (at) => battery.at(at).solarWatts,
      state_of_charge: (at) => battery.at(at).stateOfChargePercent,
    }),
    gauge('made weather', {
      'temperature.outside': (at) => weather(at).temperature,
      'humidity.outside': (at) => weather(at).humidityPercent,
      wind_speed: (at) => weather(at).windMetresPerSecond,
      wind_from: (at) => weather(at).windFromDegrees,
    }),
  ]
}

/** An id that looks random and is the same each time. */
/** A key for the demo only, so that the same seed writes the same signatures: whoever knows the seed has the key. */
function keepSeededKey(folder: string, text: string): void {
  // RFC 8410: what stands before the 32 bytes of an Ed25519 key in PKCS #8.
  const head = Buffer.from('302e020100300506032b657004220420', 'hex')
  const der = Buffer.concat([head, createHash('sha256').update(text).digest()])
  const key = createPrivateKey({ key: der, format: 'der', type: 'pkcs8' })
  writeFileSync(join(folder, keyName), key.export({ format: 'pem', type: 'pkcs8' }), { mode: 0o600 })
}

function seededUuid(text: string): string {
  const hex = createHash('sha256').update(text).digest('hex')
  return [
    hex.slice(0, 8),
    hex.slice(8, 12),
    '4' + hex.slice(13, 16),
    'a' + hex.slice(17, 20),
    hex.slice(20, 32),
  ].join('-')
}
