// A station-day of frames through the whole station as fast as it goes: real disk, real MQTT broker, virtual clock.
//   node replay.mjs FRAMES FOLDER BROKER_PORT DAYS     prints CPU seconds a day, bytes written, bytes on the socket
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

const [framesFile, folder, port, daysText] = process.argv.slice(2)
const frames = readFileSync(framesFile)
const days = Number(daysText)
const layout = loadLayout('frames-424d-32').value
const disk = (await openFolder(join(folder, 'data'), { create: true })).value
const store = (await openStore({ disk, newStoreId: randomUUID, station: 'bench' })).value
const clock = new VirtualClock({ bootId: randomUUID(), mono: 0, utc: Date.UTC(2026, 2, 1), source: 'ntp' })
let at = 0
const line = {
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
const broker = mqttBroker({ ...usualMqtt, host: '127.0.0.1', port: Number(port), clientId: 'bench' })
const random = seededRandom(1)
const wave = (volts, n) => volts + Math.sin(clock.mono() / 3600 + n) * 0.4 + random.normal() * 0.01
const names = ['battery_voltage', 'battery_current', 'solar_power']
let uplink
const station = await Station.start(
  {
    station: 'bench',
    group: 'bench',
    readEverySeconds: 1,
    recordSeconds: 60,
    flushEverySeconds: 300,
    healthEverySeconds: 3600,
    rules: [],
    notBefore: 0,
    startDetails: {},
  },
  {
    clock,
    store,
    state: stateFile(join(folder, 'data', 'state.json')),
    scheduler: { calendar: () => ({ stop() {} }) },
    log: { info() {}, warn() {} },
    gauges: [
      {
        gauge: {
          name: 'made',
          read: async () =>
            names.map((channel, n) => ({ channel, value: { ok: true, value: wave([13, 1, 4][n], n) } })),
        },
        channels: names.map(gaugeChannel),
      },
    ],
    instruments: [
      {
        options: { ...usualSilence, name: 's', screening: usualScreening, frameBytes: readingBytes(layout) },
        lines: { name: 'made', open: async () => ({ ok: true, value: line }) },
        makeDecoder: (sink) => createDecoder(layout, { sink }),
      },
    ],
    makeUplink: (faults) =>
      (uplink = new Uplink(
        { ...usualUplink, group: 'bench', station: 'bench', receipts: 'none' },
        { broker, store, random, boot: clock.bootId.slice(0, 8), faults },
      )),
  },
)
const before = process.cpuUsage()
while (clock.mono() < days * 86_400) {
  clock.set(station.nextTickAt)
  station.tick()
  if (station.busy) await station.settled()
}
const used = process.cpuUsage(before)
const status = uplink.status(clock.mono())
await station.stop('end')
console.log(
  JSON.stringify({
    cpuSecondsPerDay: (used.user + used.system) / 1e6 / days,
    socketBytesPerDay: Math.round(status.bytes_sent / days),
    rssMegabytes: Math.round(process.memoryUsage().rss / 1e6),
    linesSafe: store.safeSeq,
    safeAway: status.safe_away,
  }),
)
