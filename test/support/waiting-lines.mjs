/*
 * A process of its own that measures what waiting lines cost in memory: the built store and uplink, a broker that is not
 * there for a day and then only acknowledges. RssAnon in kB: at rest after that day, the highest while all lines leave, and at
 * rest after that.
 *   node waiting-lines.mjs make FOLDER RECORDS | node waiting-lines.mjs measure FOLDER
 */
import { readFileSync } from 'node:fs'

const agent = new URL('../../dist/agent/', import.meta.url)
const from = (path) => import(new URL(path, agent).href)
const { openFolder } = await from('hardware/disk.js')
const { openStore } = await from('store/store.js')
const { columnSet, done, good, monoSeconds, utcMillis } = await from('terms/terms.js')
const { columnsOf } = await from('minutes/minutes.js')
const { Uplink, usualUplink } = await from('uplink/uplink.js')

const names = [
  'pm1',
  'pm2_5',
  'pm10',
  'n0_3',
  'n0_5',
  'n1',
  'n2_5',
  'n5',
  'n10',
  'battery_voltage',
  'solar_power',
]
const set = columnSet(columnsOf(names.map((name) => ({ key: name, name, basis: 'measured' }))))

async function open(folder) {
  const disk = await openFolder(folder, { create: true })
  const store = await openStore({
    disk: disk.value,
    newStoreId: () => `store-of-${folder.length}`,
    station: 'st-1',
  })
  if (!store.ok) throw new Error(store.fault.detail)
  return store.value
}

async function make(folder, count) {
  const store = await open(folder)
  let noise = 1
  const next = () => (noise = (noise * 16807) % 2147483647) / 2147483647
  for (let n = 0; n < count; n++) {
    const values = set.columns.map(({ statistic }) => (statistic === 'used' ? 60 : 10 + 5 * next()))
    const record = {
      kind: 'record',
      set: set.id,
      boot: '0a1b2c3d',
      mono: monoSeconds(100 + n * 60),
      seconds: 60,
      planned: 60,
      utc: utcMillis(Date.UTC(2026, 2, 1) + n * 60_000),
      values,
      excluded: {},
      marked: {},
    }
    store.append((seq) => ({ ...record, seq }), set)
    if (n % 240 === 239) await flush(store)
  }
  await flush(store)
}

async function flush(store) {
  const flushed = await store.flush()
  if (!flushed.ok) throw new Error(flushed.fault.detail)
}

const anonKilobytes = () => Number(/RssAnon:\s+(\d+)/.exec(readFileSync('/proc/self/status', 'utf8'))[1])
/** The lowest of some looks: pages of collected garbage are given back by threads of their own, a little later. */
async function rest() {
  let lowest = Infinity
  for (let n = 0; n < 8; n++) {
    globalThis.gc()
    await new Promise((resolve) => setTimeout(resolve, 50))
    lowest = Math.min(lowest, anonKilobytes())
  }
  return lowest
}

/** Lives a day without a broker, then lets everything go. */
async function live(folder, offlineMinutes) {
  const store = await open(folder)
  const seen = { given: 0, inClient: 0, mostInClient: 0, peak: 0, offline: 0 }
  let isThere = false
  const session = {
    publish: async (topic) => {
      seen.mostInClient = Math.max(seen.mostInClient, ++seen.inClient)
      await new Promise((resolve) => setImmediate(resolve))
      seen.inClient--
      if (topic.endsWith('/lines')) seen.peak = Math.max(seen.peak, anonKilobytes())
      return done
    },
    end: async () => undefined,
    bytes: () => ({ sent: 0, received: 0 }),
  }
  const broker = {
    name: 'made',
    connect: async () =>
      isThere ? good(session) : { ok: false, fault: { code: 'broker-unreachable', detail: 'made' } },
  }
  const uplink = new Uplink(
    { ...usualUplink, group: 'oakfield', station: 'st-1', receipts: 'none', effort: 'small' },
    { broker, store, random: { next: () => 0.5 }, boot: '0a1b2c3d', faults: { raise() {}, clear() {} } },
  )
  uplink.safeUpTo(store.safeSeq)
  let now = 100
  const step = async () => {
    uplink.step(monoSeconds((now += 60)))
    await uplink.settled()
  }
  for (let minute = 0; minute < offlineMinutes; minute++) {
    uplink.retain('health', new TextEncoder().encode(JSON.stringify({ v: 1, minute })))
    await step()
  }
  seen.offline = await rest()
  isThere = true
  for (let minute = 0; minute < 120; minute++) await step()
  return { ...seen, ...uplink.counts(), drained: await rest() }
}

const [, , mode, folder, count] = process.argv
if (mode === 'make') await make(folder, Number(count))
else {
  const { taken, given, mostInClient, offline, peak, drained } = await live(folder, 1440)
  process.stdout.write(JSON.stringify({ taken, given, mostInClient, offline, peak, drained }))
}
