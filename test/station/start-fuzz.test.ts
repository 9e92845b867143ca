/**
 * A station that starts on a card that anybody wrote on: checkpoint and lines with right checks, and anything in them. It starts, or
 * refuses the folder with a fault; it never ends in an exception, and what it says of itself stays well-formed.
 */
import { crc32 } from 'node:zlib'
import { expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { answerRequest, reservedNumbers, type StationPorts } from '../../agent/station/station.js'
import { openStore } from '../../agent/store/store.js'
import { done, good, type OutgoingMessage } from '../../agent/terms/terms.js'
import { must, throughAllInTurn, type Mutations } from '../support/mutations.js'
import { dustRule, energyOf, tellingOne } from '../support/station-options.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const storeId = '55555555-5555-4555-8555-555555555555'

type Uplink = ReturnType<NonNullable<StationPorts['makeUplink']>>

/** What a disk and a state file hold. */
interface Card {
  readonly files: Readonly<Record<string, Uint8Array>>
  readonly checkpoint: unknown
}

async function startOn(
  card: Card | undefined,
  kept: { checkpoint?: unknown },
  life: number,
): Promise<Rig & { disk: MemoryDisk }> {
  const disk = new MemoryDisk()
  for (const [name, bytes] of Object.entries(card?.files ?? {})) disk.put(name, bytes)
  const clock = newClock(`b007000${life}-0000-4000-8000-00000000000${life}`, startUtc + life * 7_200_000)
  const send = (message: OutgoingMessage) => Promise.resolve(good({ parts: 1, words: message.subject }))
  const state: StationPorts['state'] = {
    load: () => Promise.resolve(good(card?.checkpoint)),
    save: (value) => {
      kept.checkpoint = JSON.parse(JSON.stringify(value)) as unknown
      return Promise.resolve(done)
    },
  }
  // What it would say to the broker is made, and goes nowhere.
  const link: Record<string, unknown> = {
    ...{ commands: {}, busy: false, settled: () => Promise.resolve(), stop: () => Promise.resolve() },
  }
  const uplink = new Proxy({} as Uplink, { get: (_, name) => link[String(name)] ?? (() => ({})) })
  const rig = await startRig(clock, disk, {
    // Dust from the third minute on: an alert is raised, told and over.
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5: (at) => (at > 150 && at < 400 ? 90 : 10) }) }],
    gauge: new ToldGauge({ battery_voltage: 13.3, battery_current: 0 }),
    options: { rules: [dustRule], telling: tellingOne('sms', '+10005550100'), energy: energyOf('5-of-15') },
    state,
    ports: () => ({
      makeUplink: () => uplink,
      telling: { ways: new Map([['sms', { name: 'sms', send }]]), random: { next: () => 0 } },
    }),
  })
  return Object.assign(rig, { disk })
}

/** A first life with alerts, messages, a site log, a time check by a person and an end in order. */
async function firstCard(): Promise<Card> {
  const kept: { checkpoint?: unknown } = {}
  const rig = await startOn(undefined, kept, 1)
  await rig.live(300)
  await rig.station.addEntry({ kind: 'set-up', place: 'north fence', from: 'now' })
  await rig.station.addEntry({ kind: 'observed', note: 'a fox' })
  await answerRequest(rig.station, { do: 'mute', what: 'dust', hours: 2 })
  await rig.live(700)
  await rig.station.stop('test')
  const files = Object.fromEntries(rig.disk.paths.map((name) => [name, Buffer.from(rig.disk.text(name))]))
  return { files, checkpoint: kept.checkpoint }
}

const withCrc = (text: string, file: string): string =>
  `${text},k${crc32(`${storeId}/${file}${text}`).toString(16).padStart(8, '0')}\n`

/** Lines of a file bent, each with a right check; most of the bends are inside details, which any text may stand in. */
function bentLines(mutations: Mutations, name: string, bytes: Uint8Array): Uint8Array {
  const rows = Buffer.from(bytes)
    .toString()
    .trimEnd()
    .split('\n')
    .map((row) => row.slice(0, -10))
  const bent = rows.map((row) => {
    if (!mutations.once(5)) return row
    return row.startsWith('event,') && !mutations.once(3)
      ? bentDetails(mutations, row)
      : mutations.bentText(row)
  })
  if (mutations.once(5)) bent.splice(mutations.pick(bent.length), 1 + mutations.pick(5))
  return Buffer.from(bent.map((row) => withCrc(row.replaceAll('\n', ' '), name)).join(''))
}

function bentDetails(mutations: Mutations, row: string): string {
  const cells = row.split(',')
  const details = (cells[6] ?? '').split(';')
  const at = mutations.pick(details.length)
  const [key, value = ''] = details[at].split('=')
  const odd = mutations.of([
    '',
    '0',
    '-1',
    '1e21',
    '999999999999999',
    '9'.repeat(400),
    'all',
    '__proto__',
    'raised',
    '2026-02-30T00:00:00Z',
    '9999-12-31T23:59:59Z',
    'NaN',
    value + value,
  ])
  details[at] = mutations.once(6)
    ? `${mutations.of(['constructor', '__proto__', 'rule', 'x'])}=${value}`
    : `${key}=${odd}`
  return [...cells.slice(0, 6), details.join(';')].join(',')
}

it('starts on whatever stands on its card, records, and says how it is', async () => {
  const card = await firstCard()
  expect(card.checkpoint).toMatchObject({ v: 1, session: 1 })
  const ends = await throughAllInTurn({
    what: 'cards',
    inputs: 250,
    make: (mutations): Card => ({
      checkpoint: mutations.once(4)
        ? card.checkpoint
        : mutations.of([
            () => mutations.bentPart(card.checkpoint),
            () => mutations.bentPart(card.checkpoint),
            () => mutations.bentValue(card.checkpoint),
          ])(),
      files: Object.fromEntries(
        Object.entries(card.files).map(([name, bytes]) => [
          name,
          name.startsWith('lines-') && !mutations.once(3) ? bentLines(mutations, name, bytes) : bytes,
        ]),
      ),
    }),
    hold: async (bent) => {
      const load = () => Promise.resolve(good(bent.checkpoint))
      const reserved = await reservedNumbers({ load, save: () => Promise.resolve(done) })
      const disk = new MemoryDisk()
      for (const [name, bytes] of Object.entries(bent.files)) disk.put(name, bytes)
      const opens = await openStore({ disk, newStoreId: () => storeId, station: 'rig', ...reserved })
      if (!opens.ok) return opens.fault.code
      const rig = await startOn(bent, {}, 2)
      await rig.live(300)
      const before = rig.store.safeSeq
      for (const request of [{ do: 'status' }, { do: 'list' }, { do: 'acknowledge', what: 'dust' }]) {
        const answer = JSON.stringify(await answerRequest(rig.station, request))
        must(answer.length < 1_000_000 && !/native code/.test(answer), answer.slice(0, 300))
      }
      must(JSON.stringify(rig.health()).length < 100_000, 'a long health message')
      await rig.station.stop('test')
      must(rig.store.safeSeq > before && (await rig.records()).length > 3, 'nothing was recorded')
      return 'runs'
    },
  })
  expect(ends.get('runs')).toBeGreaterThan(150)
})
