/**
 * A sensor that lives and measures nonsense, among sound neighbours, from the archive through the daily look of the built
 * collector to `stations status`: hours of three real sites (of a made valley where ../shared/data is not there).
 */
import { execFile, spawn, type ChildProcess } from 'node:child_process'
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { promisify } from 'node:util'
import { connectAsync } from 'mqtt'
import { afterAll, afterEach, describe, expect, it, vi } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { openStore } from '../../agent/store/store.js'
import { monoSeconds, type RecordLine } from '../../agent/terms/terms.js'
import { topicOf } from '../../agent/uplink/uplink.js'
import { minute, newFolder, oneSet, removeFolders, value } from '../cli/desk-rig.js'
import { program } from '../support/field-rig.js'
import { hasMosquitto, startMosquitto } from '../support/mosquitto.js'
import { sharedJson, sharedText } from '../support/shared-reference.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 180_000 })
afterAll(removeFolders)
const children: ChildProcess[] = []
afterEach(() => children.splice(0).forEach((child) => child.kill('SIGKILL')))

const dayHours = 24
const days = 140
const hourMillis = 3_600_000
const stations = ['gate', 'harbour', 'quarry'] as const

/** Hours of each station, ending with a midnight. */
const air = (): number[][] =>
  sharedJson('reference/hourly-sites-expected.json') === undefined ? madeAir() : realAir()

/** They end in the winter of the last year of the data. */
function realAir(): number[][] {
  const end = 1420 * dayHours
  return ['Dongsi', 'Dingling', 'Shunyi'].map((site) => {
    const rows = sharedText(`data/${site}.csv.gz`).trim().split('\n').slice(1)
    const cells = rows.slice(end - days * dayHours, end).map((row) => row.split(',')[5])
    return cells.map((cell) => (cell === 'NA' ? NaN : Number(cell)))
  })
}

function madeAir(): number[][] {
  const random = seededRandom(6)
  let level = Math.log(40)
  const shared = Array.from({ length: days * dayHours }, (_, i) => {
    level += -0.02 * (level - Math.log(40)) + 0.15 * random.normal()
    return Math.exp(level) * (1 + 0.7 * Math.sin((i / 12) * Math.PI))
  })
  return stations.map(() => shared.map((value) => Math.max(0, value * (1 + 0.05 * random.normal()))))
}

/** From so many days before the end on, this is what the sensor makes of the air. */
const faults: readonly (readonly [
  code: string,
  since: number,
  change: (value: number, day: number) => number,
])[] = [
  ['flat', 4, () => 33],
  ['gain-step', 12, (value) => value / 2],
  ['gain-loss', 60, (value, day) => value * (1 - 0.6 * Math.min(1, day / 56))],
  ['floor-drift', 40, (value, day) => value + Math.min(25, day)],
]

async function put(
  archive: string,
  station: string,
  hours: readonly number[],
  endsAt: number,
): Promise<void> {
  const storeId = `11111111-2222-4333-8444-5555555555${String(stations.indexOf(station as 'gate')).padStart(2, '0')}`
  const disk = value(await openFolder(join(archive, station, storeId), { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => storeId, station }))
  for (const [i, pm2_5] of hours.entries()) {
    if (Number.isNaN(pm2_5)) continue
    const made = minute(endsAt - (hours.length - i) * hourMillis, pm2_5)(1) as RecordLine
    const whole = { seconds: 3600, planned: 3600, values: [pm2_5, 3600, pm2_5, -12.5, 3600] }
    store.append((seq) => ({ ...made, ...whole, seq, mono: monoSeconds(1000 + i * 3600) }), oneSet)
    // A store holds so many lines in memory, and no more.
    if (i % 1000 === 0) value(await store.flush())
  }
  value(await store.flush())
  await disk.close()
}

interface Standing {
  readonly station: string
  readonly state: string
  readonly reasons: readonly { readonly code: string; readonly words: string; readonly first_thing: string }[]
}

/** @returns what `motepost stations status` prints, and its exit code */
async function status(archive: string, ...more: string[]): Promise<{ out: string; code: number }> {
  const words = [program, 'stations', 'status', '--archive', archive, ...more]
  const ran = await promisify(execFile)(process.execPath, words, {
    env: { ...process.env, COLUMNS: '160' },
  }).catch((error: Error & { stdout: string; code: number }) => error)
  return { out: ran.stdout, code: 'code' in ran ? ran.code : 0 }
}

describe.skipIf(!hasMosquitto)('a sensor that measures nonsense among its neighbours', () => {
  it.each(faults)(
    'is found as %s by the daily look, and stands in the status of the group',
    async (code, since, change) => {
      const archive = newFolder()
      const midnight = Math.floor(Date.now() / 86_400_000) * 86_400_000
      for (const [who, hours] of air().entries()) {
        const from = (days - since) * dayHours
        const told = hours.map((pm2_5, i) =>
          who === 0 && i >= from ? change(pm2_5, (i - from) / dayHours) : pm2_5,
        )
        await put(archive, stations[who], told, midnight)
      }
      const broker = await startMosquitto()
      const url = `mqtt://127.0.0.1:${broker.port}`
      children.push(
        spawn(
          process.execPath,
          [program, 'collect', '--broker', url, '--group', 'oakfield', '--archive', archive],
          {
            stdio: 'ignore',
          },
        ),
      )
      const client = await connectAsync(url, { protocolVersion: 5 })
      const alive = JSON.stringify({
        v: 1,
        state: 'running',
        boot: '0a1b2c3d',
        session: 1,
        next_contact_s: 3600,
      })
      for (const station of stations)
        await client.publishAsync(topicOf('oakfield', station, 'alive'), alive, { qos: 1, retain: true })
      let seen: Standing[] = []
      const gate = () => seen.find(({ station }) => station === 'gate')
      await waitFor(
        'the daily look',
        async () => {
          const { out } = await status(archive, '--json')
          seen = out.startsWith('{') ? (JSON.parse(out) as { stations: Standing[] }).stations : []
          return gate()?.state === 'suspect'
        },
        45,
      )
      expect(seen.map(({ station, state }) => [station, state])).toEqual(
        expect.arrayContaining([
          ['gate', 'suspect'],
          ['harbour', 'well'],
          ['quarry', 'well'],
        ]),
      )
      expect(gate()?.reasons.map((reason) => reason.code)).toEqual([code])
      expect(gate()?.reasons[0]).toMatchObject({
        words: expect.stringContaining('harbour, quarry'),
        first_thing: /./,
      })
      const table = await status(archive)
      expect(table.code).toBe(1)
      expect(table.out).toMatch(/^◇ +gate +suspect/m)
      expect(table.out).toMatch(/^● +harbour +well/m)
      const kept = JSON.parse(readFileSync(join(archive, 'suspects.json'), 'utf8')) as { suspects: object }
      expect(Object.keys(kept.suspects)).toEqual(['gate'])
      client.end(true)
      await broker.remove()
    },
  )
})
