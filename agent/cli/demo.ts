import { randomUUID } from 'node:crypto'
import { mkdtempSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { Collector, usualCollector } from '../collector/collector.js'
import { openFolder } from '../hardware/disk.js'
import { mqttBroker, usualMqtt } from '../hardware/mqtt-broker.js'
import { stateFile } from '../hardware/state-file.js'
import { listenOnLoopback } from '../hardware/tcp-listener.js'
import { createDecoder, readingBytes, type Layout } from '../instruments/instruments.js'
import { usualScreening } from '../screening/screening.js'
import { liveUntil } from '../simulation/driver.js'
import { startEmbeddedBroker, type EmbeddedBroker } from '../simulation/embedded-broker.js'
import { madeAir, MadeSensor } from '../simulation/made-site.js'
import { seededRandom } from '../simulation/random.js'
import { VirtualClock } from '../simulation/virtual-clock.js'
import { Station, usualSilence } from '../station/station.js'
import { openStore, type Store } from '../store/store.js'
import { bootWord, faultText, utcMillis, type Broker, type Log, type Outcome } from '../terms/terms.js'
import { Uplink, usualUplink } from '../uplink/uplink.js'
import { archivesIn } from './archives.js'
import { clockText, narrator, print } from './demo-words.js'
import { loadLayout } from './layouts.js'
import { proveDelivery } from './proof.js'

const seed = 20260302
const group = 'slate-hollow'
const name = 'north-fence'
/** The board has been up for so long when the story begins. */
const bootSeconds = 20
const minutes = (n: number): number => bootSeconds + n * 60

/** Moments of the story, in minutes from its beginning. */
const story = { clockTrusted: 2, dust: 18, outage: 25, linkBack: 43 }

interface Scene {
  readonly clock: VirtualClock
  readonly sensor: MadeSensor
  readonly station: Station
  readonly store: Store
  readonly collector: Collector
}

/** One made station lives through an hour with an outage, in virtual time, on a real disk and real loopback sockets. */
export async function demo(options: { keep?: string }): Promise<number> {
  const folder = options.keep ?? mkdtempSync(join(tmpdir(), 'motepost-demo-'))
  introduce()
  let broker = await startEmbeddedBroker(listenOnLoopback)
  const { port } = broker
  const scene = await setTheScene(folder, port)
  if (!scene.ok) {
    process.stderr.write(faultText(scene.fault) + '\n')
    return 1
  }
  const { clock, station, collector } = scene.value
  const say = narrator(clock, minutes(0))
  const tellClock = (): void => {
    clock.source = 'ntp'
  }
  const cut = async (): Promise<void> => {
    say('the link goes down (the broker of this demo is stopped)')
    await broker.close()
  }
  const mend = async (): Promise<void> => {
    broker = await startEmbeddedBroker((onConnection) => listenOnLoopback(onConnection, port))
    say('the link is back')
  }
  await liveUntil(station, clock, minutes(60), [
    [minutes(story.clockTrusted), tellClock],
    [minutes(story.outage), cut],
    [minutes(story.linkBack), mend],
    ...everyMinute(async () => {
      collector.step(clock.mono())
      await collector.settled()
    }),
  ])
  return end(scene.value, folder, broker)
}

function introduce(): void {
  print(
    'An invented station at the fence of an invented quarry. Invented air, real code: the bytes of a made sensor go',
  )
  print(
    'through decoding, screening, minutes, a store on this disk, and over MQTT to a collector. One hour in virtual time.',
  )
  print('')
}

const everyMinute = (act: () => Promise<void>) =>
  Array.from({ length: 60 }, (_, i) => [minutes(i) + 1, act] as const)

async function setTheScene(folder: string, port: number): Promise<Outcome<Scene>> {
  const layout = loadLayout('frames-424d-32')
  if (!layout.ok) return layout
  const disk = await openFolder(join(folder, 'station'), { create: true })
  if (!disk.ok) return disk
  const store = await openStore({ disk: disk.value, newStoreId: randomUUID, station: name })
  if (!store.ok) return store
  const clock = new VirtualClock({
    bootId: randomUUID(),
    mono: minutes(0),
    utc: utcMillis(Date.UTC(2026, 2, 2, 6)),
  })
  const sensor = makeSensor(clock)
  const station = await startStation(clock, sensor, store.value, layout.value, brokerAt(port, name), folder)
  const collector = makeCollector(folder, brokerAt(port, 'collector'))
  return { ok: true, value: { clock, sensor, station, store: store.value, collector } }
}

function brokerAt(port: number, client: string): Broker {
  return mqttBroker({
    ...usualMqtt,
    host: '127.0.0.1',
    port,
    protocol: 4,
    clientId: `motepost-${group}-${client}`,
  })
}

function makeSensor(clock: VirtualClock): MadeSensor {
  const random = seededRandom(seed)
  const episodes = [{ from: minutes(story.dust), seconds: 1200, coarse: 420 }]
  return new MadeSensor(
    clock,
    madeAir({ backgroundPm2_5: 9, episodes }, random),
    { spoiltShare: 0.01 },
    random,
  )
}

function startStation(
  clock: VirtualClock,
  sensor: MadeSensor,
  store: Store,
  layout: Layout,
  broker: Broker,
  folder: string,
): Promise<Station> {
  const boot = bootWord(clock.bootId)
  const random = seededRandom(seed + 1)
  const uplink = { ...usualUplink, group, station: name, packEverySeconds: 600 }
  return Station.start(
    {
      station: name,
      group,
      readEverySeconds: 1,
      recordSeconds: 60,
      flushEverySeconds: 300,
      healthEverySeconds: 3600,
      rules: [
        {
          rule: 'dust',
          channel: 'pm10',
          average: '10-min',
          direction: 'above',
          level: 150,
          backAt: 120,
          onDelaySeconds: 0,
          offDelaySeconds: 600,
          leastDataCapture: 0.75,
          priority: 'normal',
        },
      ],
      notBefore: utcMillis(Date.UTC(2026, 0, 1)),
      startDetails: { made: 'yes' },
    },
    {
      clock,
      store,
      state: stateFile(join(folder, 'station', 'state.json')),
      scheduler: { calendar: () => ({ stop: () => undefined }) },
      log: storyLog(clock),
      instruments: [
        {
          options: {
            ...usualSilence,
            name: 'sensor 1',
            screening: usualScreening,
            frameBytes: readingBytes(layout),
          },
          lines: sensor,
          makeDecoder: (sink) => createDecoder(layout, { sink }),
        },
      ],
      gauges: [],
      makeUplink: (faults) => new Uplink(uplink, { broker, store, random, boot, faults }),
    },
  )
}

/** The station's own log, as lines of the story. */
function storyLog(clock: VirtualClock): Log {
  const say = narrator(clock, minutes(0))
  const tell = (words: string, details: Readonly<Record<string, unknown>> = {}): void => {
    if (words.startsWith('alert '))
      say(`ALERT ${details.rule} ${words.split(': ')[1]}: 10-min mean of PM10 ${details.value} ug/m3`)
    else say(words.startsWith('over: ') ? words : words.split(':')[0])
  }
  return { info: tell, warn: tell }
}

function makeCollector(folder: string, broker: Broker): Collector {
  return new Collector(
    { ...usualCollector, group },
    {
      broker,
      random: seededRandom(seed + 2),
      openArchive: archivesIn(join(folder, 'archive')),
      faults: { raise: () => undefined, clear: () => undefined },
    },
  )
}

async function end(
  { clock, sensor, station, store, collector }: Scene,
  folder: string,
  broker: EmbeddedBroker,
): Promise<number> {
  const averages = averagesText(station)
  const proof = await proveDelivery(
    { clock, station, collector, store, seconds: 10 },
    join(folder, 'station'),
    join(folder, 'archive', name, store.storeId),
  )
  await station.stop('end of the demo')
  await collector.stop()
  await broker.close()
  print('')
  for (const line of averages) print(line)
  print(
    `The made sensor sent ${sensor.framesMade} frames and spoilt ${sensor.framesSpoilt} of them on the way.`,
  )
  print(
    `The station stored ${proof.stored} lines; up to number ${proof.away} all is safe away at the collector, with its receipt.`,
  )
  print(
    `Compared by store, number and text: ${proof.missing} missing, ${proof.changed} changed, ${proof.extra} too many.`,
  )
  print('')
  print(`Files: ${join(folder, 'station')} (the store), ${join(folder, 'archive')} (the collector's archive)`)
  const proven = proof.stored > 0 && proof.missing + proof.changed + proof.extra === 0
  print(proven ? 'Proof: the far end has every line exactly once.' : 'NOT PROVEN: see the figures above.')
  return proven ? 0 : 1
}

function averagesText(station: Station): string[] {
  const until = clockText(minutes(60) - minutes(0))
  const rows = ['pm1', 'pm2_5', 'pm10'].map((key) => {
    const hour = station.averagesOf(key)['1-h'] as Record<string, number | boolean>
    const mean = `${hour.at_least ? 'at least ' : ''}${hour.mean}`.padStart(16)
    const capture = `data capture ${hour.data_capture_percent} %, sampled share ${hour.sampled_share_percent} %`
    return `  ${key.padEnd(6)} ${mean} ug/m3   ${capture}`
  })
  return [`Last hour, until ${until} (uncorrected; data capture is used of planned time):`, ...rows, '']
}
