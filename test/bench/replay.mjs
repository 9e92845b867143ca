// Station-days of frames through the whole station as fast as it goes: real disk, real MQTT broker, virtual clock.
//   node replay.mjs FRAMES FOLDER BROKER_PORT DAYS     prints its figures as one line of JSON
// The port is pulled every ten seconds of virtual time.
import { counted } from './count-syncs.mjs'
import { randomUUID } from 'node:crypto'
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { loadLayout } from '../../dist/agent/cli/layouts.js'
import { openFolder } from '../../dist/agent/hardware/disk.js'
import { mqttBroker, usualMqtt } from '../../dist/agent/hardware/mqtt-broker.js'
import { stateFile } from '../../dist/agent/hardware/state-file.js'
import { createDecoder, readingBytes } from '../../dist/agent/instruments/instruments.js'
import { usualScreening } from '../../dist/agent/screening/screening.js'
import { seededRandom } from '../../dist/agent/simulation/random.js'
import { VirtualClock } from '../../dist/agent/simulation/virtual-clock.js'
import { gaugeChannel, Station, usualSilence } from '../../dist/agent/station/station.js'
import { openStore } from '../../dist/agent/store/store.js'
import { Uplink, usualUplink } from '../../dist/agent/uplink/uplink.js'
import { look } from './parts.mjs'

const [framesFile, folder, port, daysText] = process.argv.slice(2)
const frames = readFileSync(framesFile)
const days = Number(daysText)
const layout = loadLayout('frames-424d-32').value
const did = { bytes: 0, payloads: {} }
const disk = countBytes((await openFolder(join(folder, 'data'), { create: true })).value)
const store = (await openStore({ disk, newStoreId: randomUUID, station: 'bench' })).value
const clock = new VirtualClock({ bootId: randomUUID(), mono: 0, utc: Date.UTC(2026, 2, 1), source: 'ntp' })
const broker = countPayloads(
  mqttBroker({ ...usualMqtt, host: '127.0.0.1', port: Number(port), clientId: 'bench' }),
)
const station = await makeStation()

const before = process.cpuUsage()
const atStart = look(process.pid)
while (clock.mono() < days * 86_400) {
  clock.set(station.nextTickAt)
  station.tick()
  if (station.busy) await station.settled()
}
const used = process.cpuUsage(before)
const atEnd = look(process.pid)
await station.stop('end')
const aDay = (n) => Math.round(n / days)
console.log(
  JSON.stringify({
    cpuSeconds: (used.user + used.system) / 1e6 / days,
    kernelSeconds: used.system / 1e6 / days,
    payloadBytes: Object.fromEntries(
      Object.entries(did.payloads).map(([what, bytes]) => [what, aDay(bytes)]),
    ),
    bytesWritten: aDay(did.bytes),
    syncs: aDay(counted.syncs),
    blockBytes: aDay(atEnd.blockBytes - atStart.blockBytes),
    linesSafe: store.safeSeq,
    safeAway: station.safeAway,
  }),
)

/** Bytes of lines appended to the store. */
function countBytes(disk) {
  const append = disk.append.bind(disk)
  disk.append = (path, bytes) => {
    did.bytes += bytes.length
    return append(path, bytes)
  }
  return disk
}

/** Payload bytes of what is published, by the last words of the topic. */
function countPayloads(broker) {
  const connect = broker.connect.bind(broker)
  broker.connect = async (request) => {
    const connected = await connect(request)
    if (connected.ok) countOf(connected.value)
    return connected
  }
  return broker
}

function countOf(session) {
  const publish = session.publish.bind(session)
  session.publish = (topic, payload, options) => {
    const what = topic.split('/').slice(4).join('/')
    did.payloads[what] = (did.payloads[what] ?? 0) + payload.length
    return publish(topic, payload, options)
  }
}

function makeLine() {
  let at = 0
  return {
    readAvailable() {
      const now = Math.floor(clock.mono())
      if (now <= at) return 'nothing'
      const from = (at * 32) % frames.length
      const bytes = frames.subarray(from, Math.min(frames.length, from + (now - at) * 32))
      at += bytes.length / 32
      return bytes
    },
    write: async () => ({ ok: true }),
    close: async () => undefined,
  }
}

function makeGauge() {
  const random = seededRandom(1)
  const wave = (volts, n) => volts + Math.sin(clock.mono() / 3600 + n) * 0.4 + random.normal() * 0.01
  const names = ['battery_voltage', 'battery_current', 'solar_power']
  const values = () =>
    names.map((channel, n) => ({ channel, value: { ok: true, value: wave([13, 1, 4][n], n) } }))
  return { gauge: { name: 'made', read: async () => values() }, channels: names.map(gaugeChannel) }
}

function makeStation() {
  const options = {
    station: 'bench',
    group: 'bench',
    readEverySeconds: 10,
    recordSeconds: 60,
    flushEverySeconds: 300,
    healthEverySeconds: 3600,
    rules: [],
    notBefore: 0,
    startDetails: {},
  }
  const instrument = {
    options: { ...usualSilence, name: 's', screening: usualScreening, frameBytes: readingBytes(layout) },
    lines: { name: 'made', open: async () => ({ ok: true, value: makeLine() }) },
    makeDecoder: (sink) => createDecoder(layout, { sink }),
  }
  const uplinkOptions = { ...usualUplink, group: 'bench', station: 'bench', receipts: 'none' }
  const random = seededRandom(2)
  return Station.start(options, {
    clock,
    store,
    state: stateFile(join(folder, 'data', 'state.json')),
    scheduler: { calendar: () => ({ stop() {} }) },
    log: { info() {}, warn() {} },
    gauges: [makeGauge()],
    instruments: [instrument],
    makeUplink: (faults) =>
      new Uplink(uplinkOptions, { broker, store, random, boot: clock.bootId.slice(0, 8), faults }),
  })
}
