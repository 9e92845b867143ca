// Simulated stations before a broker: each quarter of an hour of theirs a health message and a pack of fifteen minutes, as fast as
// the far end confirms them. Packs are made by the project's own code, in groups of stations that saw the same air.
//   node collector-stations.mjs BROKER_PORT STATIONS ROUNDS ours|plain
// Prints a line of JSON at each round's end, and waits for a line on standard input before the next.
import { once } from 'node:events'
import { createInterface } from 'node:readline'
import { connectAsync } from 'mqtt'
import { columnsOf } from '../../dist/agent/minutes/minutes.js'
import { seededRandom } from '../../dist/agent/simulation/random.js'
import { canonicalLine, columnSet } from '../../dist/agent/terms/terms.js'
import { makePack, topicOf } from '../../dist/agent/uplink/uplink.js'

const [port, stationsText, roundsText, mode] = process.argv.slice(2)
const stations = Number(stationsText)
const rounds = Number(roundsText)
const group = 'bench'
const minutes = 15
/** Packs on the way that nobody has confirmed. */
const window = 256
const connections = 8
const resendAfterMillis = 20_000
const airs = 24
const start = Date.UTC(2026, 2, 1)
const boot = 'b0000001'

const masses = ['pm1', 'pm2_5', 'pm10']
const counts = ['n0_3', 'n0_5', 'n1', 'n2_5', 'n5', 'n10']
const supply = ['battery_voltage', 'battery_current', 'solar_power']
const shares = { pm1: 0.65, pm2_5: 1, pm10: 1.15, n0_3: 190, n0_5: 55, n1: 9, n2_5: 0.8, n5: 0.1, n10: 0.03 }
const channels = [...masses, ...counts, ...supply].map((name) => ({
  key: name,
  name,
  ...(masses.includes(name) ? { scaling: 'atmospheric' } : {}),
  basis: name === 'pm10' ? 'inferred' : 'measured',
}))
const set = columnSet(columnsOf(channels))
const random = seededRandom(5)
const levels = Array.from({ length: airs }, () => 14)

function valueOf({ channel, statistic }, level) {
  if (statistic === 'used') return 60
  if (statistic === 'sd') return Math.abs(level * 0.08 * random.normal())
  if (channel === 'battery_voltage') return 13.1 + 0.02 * random.normal()
  if (channel === 'battery_current') return -0.2 + 0.02 * random.normal()
  if (channel === 'solar_power') return 4 + 0.2 * random.normal()
  return Math.max(0, level * shares[channel] * (1 + 0.05 * random.normal()) * (statistic === 'max' ? 1.3 : 1))
}

/** The lines of a quarter of an hour; the first begins with a time check, as each hour does. */
function linesOf(round, air) {
  const first = round * minutes
  const lines = []
  const add = (line) =>
    lines.push({ line, text: canonicalLine(line, line.kind === 'record' ? set : undefined) })
  const before = Math.ceil(round / 4)
  const at = (minute) => ({ boot, mono: 1000 + minute * 60, utc: start + minute * 60_000 })
  if (round % 4 === 0)
    add({ kind: 'anchor', seq: first + before + 1, ...at(first), source: 'ntp', errorSeconds: 0.05 })
  for (let minute = first; minute < first + minutes; minute++) {
    const level = (levels[air] = Math.max(2, levels[air] * 0.98 + 0.28 + 0.8 * random.normal()))
    const seq = minute + Math.floor(round / 4) + 2
    const values = set.columns.map((column) => valueOf(column, level))
    const fixed = { seconds: 60, planned: 60, excluded: {}, marked: {} }
    add({ kind: 'record', seq, set: set.id, ...at(minute), ...fixed, values })
  }
  return lines
}

const nameOf = (i) => `s${String(i).padStart(5, '0')}`
const storeOf = (i) => `${String(i).padStart(8, '0')}-2222-4333-8444-555555555555`

/** A health message with the fields of a real one. */
function healthOf(i, round) {
  const seq = (round + 1) * minutes
  const stage = { taken: seq * 60, given: seq * 60 - 31, held: 0, refused: { 'warm-up': 31 } }
  return JSON.stringify({
    ...{ v: 1, station: nameOf(i), boot, session: 7, mono_s: 1000 + seq * 60 },
    ...{ at: new Date(Date.now()).toISOString().slice(0, 19) + 'Z', clock_error_s: 0.1, clock_source: 'ntp' },
    ...{
      clock_checked_s: 400,
      state: 'well',
      faults: [],
      power: { battery_voltage: 13.1, solar_power: 4.1 },
    },
    surroundings: { 'board-temperature': 31.2, free_mb: 21_344 },
    instruments: [
      {
        layout: 'frames-424d-32',
        port: '/dev/ttyUSB0',
        state: 'reading',
        readings: stage,
        bytes: seq * 1920,
      },
    ],
    pairs: [],
    store: { id: storeOf(i), safe: seq, buffered: 3, ...stage, refused: {} },
    seals: { sealed: seq - 12, days: 41, key: '0123456789abcdef' },
    jobs: { copied: 3, cleaned: 41 },
    ...{ resident_mb: 68.4, software: '0.1.0', settings: 'c0ffee01' },
    uplink: { state: 'connected', ...stage, refused: {}, backlog: 4, budget: { used_kb: 311, of_kb: 5000 } },
  })
}

/** What a station sends in a round, and up to which number it then has sent. */
function messageOf(i, round, lines) {
  const top = lines.at(-1).line.seq
  if (mode === 'plain') return { payload: plainOf(i, lines), top }
  const content = { group, station: nameOf(i), storeId: storeOf(i), boot, lines, sets: [set] }
  return { payload: makePack(content, { encoding: 'cbor', compress: true }), top }
}

/** The same records as a script would send them. */
const plainOf = (i, lines) =>
  JSON.stringify(
    lines.flatMap(({ line }) =>
      line.kind !== 'record'
        ? []
        : {
            station: nameOf(i),
            time: new Date(line.utc).toISOString(),
            ...Object.fromEntries(
              set.columns.map((column, k) => [
                `${column.channel}_${column.statistic}`,
                Number(line.values[k].toFixed(column.decimals)),
              ]),
            ),
          },
    ),
  )

// ---- flow -----------------------------------------------------------------------------------------------------------

const clients = await Promise.all(
  Array.from({ length: connections }, (_, n) =>
    connectAsync(`mqtt://127.0.0.1:${port}`, { clientId: `stations-${n}`, protocolVersion: 5 }),
  ),
)
const confirmed = new Map()
const sentAt = new Map()
let delays = []
let wake = () => undefined
clients[0].on('message', (topic, payload) => {
  if (topic === 'plain/taken') confirmed.set('plain', Number(payload))
  else {
    const station = topic.split('/')[3]
    const [store] = Object.values(JSON.parse(payload).stores)
    confirmed.set(station, store?.contiguous ?? 0)
    const sent = sentAt.get(station)
    if (sent && sent.top <= (store?.contiguous ?? 0)) {
      delays.push(performance.now() - sent.at)
      sentAt.delete(station)
    }
  }
  wake()
})
await clients[0].subscribeAsync(mode === 'plain' ? 'plain/taken' : topicOf(group, '+', 'receipt'), { qos: 1 })

const acknowledgements = new Set()
function publish(i, what, payload, retain) {
  const sent = clients[i % connections].publishAsync(topicOf(group, nameOf(i), what), payload, {
    qos: 1,
    retain,
  })
  const tracked = sent.finally(() => acknowledgements.delete(tracked))
  acknowledgements.add(tracked)
}

let messages = 0
const underway = () => (mode === 'plain' ? messages - (confirmed.get('plain') ?? 0) : 2 * sentAt.size)

async function wakes(millis) {
  let timer
  await Promise.race([
    new Promise((resolve) => (wake = resolve)),
    new Promise((resolve) => (timer = setTimeout(resolve, millis))),
  ])
  clearTimeout(timer)
}

let resent = 0
function resend(round) {
  for (const sent of sentAt.values())
    if (performance.now() - sent.at > resendAfterMillis) {
      resent++
      sent.at = performance.now()
      publish(sent.i, 'lines', messageOf(sent.i, round, sent.lines).payload, false)
    }
}

async function play(round) {
  const lines = Array.from({ length: airs }, (_, air) => linesOf(round, air))
  const ready = Array.from({ length: stations }, (_, i) => messageOf(i, round, lines[i % airs]))
  const bytes = ready.reduce((sum, { payload }) => sum + payload.length, 0)
  console.log(JSON.stringify({ ready: round }))
  await next()
  delays = []
  const before = performance.now()
  const messagesBefore = messages
  for (const [i, { payload, top }] of ready.entries()) {
    while (underway() >= 2 * window) {
      await wakes(1000)
      resend(round)
    }
    if (mode !== 'plain') sentAt.set(nameOf(i), { at: performance.now(), top, i, lines: lines[i % airs] })
    publish(i, 'health', healthOf(i, round), true)
    publish(i, 'lines', payload, false)
    messages += 2
  }
  // The plain script counts in hundreds.
  while (underway() >= (mode === 'plain' ? 100 : 1)) {
    await wakes(1000)
    resend(round)
  }
  await Promise.all(acknowledgements)
  const seconds = (performance.now() - before) / 1000
  delays.sort((a, b) => a - b)
  const share = (part) => Math.round(delays[Math.floor(delays.length * part)] ?? NaN)
  const times = { medianMillis: share(0.5), mostMillis: share(0.99) }
  console.log(
    JSON.stringify({ round, seconds, messages: messages - messagesBefore, bytes, resent, ...times }),
  )
}

const commands = createInterface({ input: process.stdin })
const waiting = []
commands.on('line', (line) => waiting.push(line))
async function next() {
  while (waiting.length === 0) await once(commands, 'line')
  waiting.shift()
}

for (let round = 0; round < rounds; round++) await play(round)
await next()
for (const client of clients) client.end(true)
process.exit(0)
