/** An archive folder beside which a collector says how its stations stand. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { listenControl } from '../../agent/hardware/control-socket.js'
import { openFolder } from '../../agent/hardware/disk.js'
import { openStore } from '../../agent/store/store.js'
import {
  at,
  event,
  midnight,
  minutes,
  newFolder,
  oneSet,
  pairMinute,
  pairSet,
  value,
  type Make,
} from './desk-rig.js'

const ago = (minutes: number): string => new Date(Date.now() - minutes * 60_000).toISOString()

/** As a collector writes it: one station of each state. */
export const madeStatus = () => ({
  v: 1,
  at: ago(0),
  group: 'slate-hollow',
  packs: { taken: 812, given: 809, refused: { 'too-deep': 2, 'wrong-topic': 1 }, held: 0 },
  reports: { taken: 90, given: 86, refused: { 'wrong-name': 4 }, held: 0 },
  refused_lately: [
    { topic: 'motepost/1/oakfield/<b>\u001b x/health', reason: 'wrong-name' },
    { topic: 'motepost/1/oakfield/mallory/lines', reason: 'too-deep' },
    { topic: 7 },
  ],
  lines: { added: 90_210, doubles: 12, conflicts: 3, refused: 0 },
  stations: [
    {
      station: 'gate',
      state: 'well',
      reasons: [],
      heard_at: ago(4),
      health_at: ago(31),
      capture_percent: 99.2,
      charge_percent: 81,
      clock_error_s: 0.4,
      backlog_lines: 0,
      stores: ['11111111-2222-4333-8444-555555555555'],
      software: '0.1.0',
    },
    {
      station: 'north-fence',
      state: 'silent',
      reasons: [
        {
          code: 'silent',
          words: 'nothing was heard, and a message an hour was promised',
          first_thing: 'look whether others on the same link are heard, then go there',
          since: ago(420),
        },
      ],
      heard_at: ago(420),
      capture_percent: 71.4,
      charge_percent: 22,
      backlog_lines: 388,
    },
    {
      station: 'harbour',
      state: 'trouble',
      reasons: [
        {
          code: 'port-gone',
          words: 'the sensor port went away',
          first_thing: 'check plug, cable and supply of the adapter',
          since: ago(95),
        },
      ],
      heard_at: ago(2),
      capture_percent: 88,
      clock_error_s: 3.25,
      clock_offset_s: 259_200,
      days_to_reserve: 4,
      plan: '5-of-15',
      budget_percent: 80,
      refused: { 'wrong-name': 4 },
    },
    { station: 'quarry', state: 'suspect', reasons: [], heard_at: ago(11) },
    { station: 'school', state: 'late', reasons: [], heard_at: ago(80) },
  ],
})

const folders: string[] = []
const closers: (() => Promise<void>)[] = []

export function archiveFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-stations-'))
  folders.push(folder)
  return folder
}

/** A collector answers at its archive, with this. */
export async function answering(status: unknown, archive = archiveFolder()): Promise<string> {
  const socket = await listenControl({ path: join(archive, '.control.sock'), mode: 0o600 }, () =>
    Promise.resolve({ ok: true, ...(status as object) }),
  )
  closers.push(value(socket).close)
  return archive
}

/** One ended, and left this. */
export function left(text: string, archive = archiveFolder()): string {
  writeFileSync(join(archive, 'status.json'), text)
  return archive
}

export async function endAll(): Promise<void> {
  for (const close of closers.splice(0)) await close()
  for (const folder of folders.splice(0)) rmSync(folder, { recursive: true, force: true })
}

const ids = {
  gate: '11111111-2222-4333-8444-555555555501',
  harbour: '11111111-2222-4333-8444-555555555502',
}
export const zoneLine = event(midnight, 'settings', { 'station.standard_offset_min': '60' })

export async function put(archive: string, station: keyof typeof ids, lines: readonly Make[]): Promise<void> {
  const disk = value(await openFolder(join(archive, station, ids[station]), { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => ids[station], station }))
  for (const make of lines) {
    const line = make(1)
    store.append(
      make,
      line.kind === 'record' ? [oneSet, pairSet].find(({ id }) => id === line.set) : undefined,
    )
  }
  value(await store.flush())
  await disk.close()
}

/** Two hours of one sensor at the gate, an hour of two at the harbour. */
export async function archiveOfTwo(): Promise<string> {
  const archive = newFolder()
  await put(archive, 'gate', [zoneLine, ...minutes(midnight, 120, 8)])
  await put(archive, 'harbour', [
    zoneLine,
    ...Array.from({ length: 60 }, (_, i) => pairMinute(at(i / 60), 4, 6)),
  ])
  return archive
}
