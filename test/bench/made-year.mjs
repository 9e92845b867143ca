// A year of minute records of twelve channels as a station's own store holds it, made through the store itself: hourly
// time checks, a new boot each week.
//   node made-year.mjs FOLDER [DAYS]
import { columnsOf } from '../../dist/agent/minutes/minutes.js'
import { openFolder } from '../../dist/agent/hardware/disk.js'
import { seededRandom } from '../../dist/agent/simulation/random.js'
import { openStore } from '../../dist/agent/store/store.js'
import { columnSet } from '../../dist/agent/terms/terms.js'

const masses = ['pm1', 'pm2_5', 'pm10']
const counts = ['n0_3', 'n0_5', 'n1', 'n2_5', 'n5', 'n10']
const supply = ['battery_voltage', 'battery_current', 'solar_power']
const channels = [...masses, ...counts, ...supply].map((name) => ({
  key: name,
  name,
  ...(masses.includes(name) ? { scaling: 'atmospheric' } : {}),
  basis: name === 'pm10' ? 'inferred' : 'measured',
}))
export const yearSet = columnSet(columnsOf(channels))
export const yearStart = Date.UTC(2025, 0, 1)
const shares = { pm1: 0.65, pm2_5: 1, pm10: 1.15, n0_3: 190, n0_5: 55, n1: 9, n2_5: 0.8, n5: 0.1, n10: 0.03 }
const minutesOfDay = 1440

/** @returns how many records were written */
export async function makeYear(folder, days = 365) {
  const disk = (await openFolder(folder, { create: true })).value
  const store = (
    await openStore({ disk, newStoreId: () => '0f0f0f0f-0000-4000-8000-000000000001', station: 'bench' })
  ).value
  const random = seededRandom(11)
  let level = 14
  for (let minute = 0; minute < days * minutesOfDay; minute++) {
    const utc = yearStart + minute * 60_000
    const boot = `b${String(Math.floor(minute / (7 * minutesOfDay))).padStart(7, '0')}`
    const mono = 20 + (minute % (7 * minutesOfDay)) * 60
    if (minute % 60 === 0)
      store.append((seq) => ({ kind: 'anchor', seq, boot, mono, utc, source: 'ntp', errorSeconds: 0.05 }))
    level = Math.max(2, level + 0.02 * (14 - level) + 0.8 * random.normal())
    const used = minute % 53 === 0 ? 58 : 60
    const values = Float64Array.from(yearSet.columns, (column) =>
      valueOf(column, level, used, minute, random),
    )
    const marked = minute % 61 === 0 ? { spike: 2 } : {}
    const excluded = used < 60 ? { 'no-data': 2 } : {}
    const line = {
      kind: 'record',
      set: yearSet.id,
      boot,
      mono,
      seconds: 60,
      planned: 60,
      utc,
      values,
      excluded,
      marked,
    }
    store.append((seq) => ({ ...line, seq }), yearSet)
    if (minute % minutesOfDay === minutesOfDay - 1) await flushed(store)
  }
  await flushed(store)
  await disk.close()
}

async function flushed(store) {
  const done = await store.flush()
  if (!done.ok) throw new Error(done.fault.detail)
}

function valueOf({ channel, statistic }, level, used, minute, random) {
  if (statistic === 'used') return used
  const sun = Math.max(0, 20 * Math.sin(((minute % minutesOfDay) / 720 - 0.5) * Math.PI))
  if (channel === 'solar_power') return sun
  if (channel === 'battery_current') return sun / 13 - 0.15
  if (channel === 'battery_voltage') return 13.1 + 0.01 * (minute % 7)
  const mean = level * shares[channel] * (1 + 0.05 * random.normal())
  if (statistic === 'max') return Math.ceil(mean * 1.2)
  return statistic === 'sd' ? mean * 0.08 : Math.max(0, mean)
}

if (process.argv[1] === import.meta.filename) await makeYear(process.argv[2], Number(process.argv[3] ?? 365))
