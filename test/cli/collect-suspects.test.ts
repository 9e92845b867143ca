import { existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { Suspects } from '../../agent/cli/collect-suspects.js'
import { lookAtStations } from '../../agent/cli/suspects-look.js'
import { openFolder } from '../../agent/hardware/disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { openStore } from '../../agent/store/store.js'
import { utcMillis, utcText, type RecordLine } from '../../agent/terms/terms.js'
import { anchor, minute, newFolder, oneSet, removeFolders, siteEntry, value, type Make } from './desk-rig.js'

afterAll(removeFolders)

const days = 140
const from = Date.UTC(2026, 2, 3)
const now = utcMillis(from + days * 86_400_000)
const hourly =
  (i: number, pm2_5: number): Make =>
  (seq) => ({
    ...(minute(from + i * 3_600_000, pm2_5)(seq) as RecordLine),
    ...{ seconds: 3600, planned: 3600, values: [pm2_5, 3600, pm2_5, -12.5, 3600] },
  })

/** The air of a valley: days that differ, a wave in each of them, gusts; the same for all stations in it. */
function air(): number[] {
  const random = seededRandom(5)
  let level = Math.log(30)
  return Array.from({ length: days * 24 }, (_, i) => {
    level += -0.02 * (level - Math.log(30)) + 0.15 * random.normal()
    return Math.exp(level) * (1 + 0.35 * Math.sin((i / 12) * Math.PI))
  })
}

/** Hours of a station in that air, with a noise of its own. */
function hoursOf(seed: number, gain: (day: number) => number): Make[] {
  const random = seededRandom(seed)
  return air().map((pm2_5, i) => hourly(i, Math.max(0, pm2_5 * gain(i / 24) * (1 + 0.05 * random.normal()))))
}

async function put(archive: string, station: string, n: number, lines: readonly Make[]): Promise<void> {
  const storeId = `11111111-2222-4333-8444-55555555550${n}`
  const disk = value(await openFolder(join(archive, station, storeId), { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => storeId, station }))
  for (const [i, make] of lines.entries()) {
    store.append(make, make(1).kind === 'record' ? oneSet : undefined)
    // A store holds so many lines in memory, and no more.
    if (i % 1000 === 0) value(await store.flush())
  }
  value(await store.flush())
  await disk.close()
}

const told: string[] = []
async function looked(archive: string): Promise<Suspects> {
  const suspects = new Suspects(archive, { warn: (words) => told.push(words) })
  suspects.step(now)
  await suspects.settled()
  return suspects
}
const codes = (suspects: Suspects, station: string): string[] => suspects.of(station).map(({ code }) => code)
const halved = (day: number): number => (day < days - 12 ? 1 : 0.45)
const sound = (): number => 1

describe('the stations of an archive beside each other', () => {
  it('name the one that lost half its gain, with what to do first, over a restart too, and no other', async () => {
    const archive = newFolder()
    await put(archive, 'gate', 1, hoursOf(1, halved))
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    await put(archive, 'quarry', 3, hoursOf(3, sound))
    const suspects = await looked(archive)
    expect(codes(suspects, 'gate')).toEqual(['gain-step'])
    expect(suspects.of('gate')[0]).toMatchObject({ state: 'suspect', tell: 'normal', firstThing: /./ })
    expect(suspects.of('gate')[0].words).toContain('beside harbour, quarry')
    expect([...codes(suspects, 'harbour'), ...codes(suspects, 'quarry')]).toEqual([])
    const again = new Suspects(archive, { warn: () => undefined })
    expect(again.of('gate')).toEqual(suspects.of('gate'))
  })

  it('are set beside the nearest by the register, not by the alphabet', async () => {
    const archive = newFolder()
    const place = (name: string, east: number) =>
      `  - { station: ${name}, latitude: 10, longitude: ${east} }\n`
    const register = [place('gate', 0), place('harbour', 3), place('quarry', 1)].join('')
    await put(archive, 'gate', 1, hoursOf(1, halved))
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    await put(archive, 'quarry', 3, hoursOf(3, sound))
    writeFileSync(join(archive, 'register.yaml'), `stations:\n${register}`)
    const found = await lookAtStations(archive, now)
    expect(found?.gate[0]?.words).toContain('beside quarry, harbour')
  })

  it('are looked at once a day, and only while the time is known', async () => {
    const archive = newFolder()
    await put(archive, 'gate', 1, hoursOf(1, sound))
    const suspects = new Suspects(archive, { warn: () => undefined })
    suspects.step(undefined)
    suspects.step(now)
    await suspects.settled()
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    await put(archive, 'quarry', 3, hoursOf(3, halved))
    suspects.step(utcMillis(now + 3_600_000))
    await suspects.settled()
    expect(codes(suspects, 'quarry')).toEqual([])
    suspects.step(utcMillis(now + 86_400_000))
    await suspects.settled()
    expect(codes(suspects, 'quarry')).toEqual(['gain-step'])
  })

  it('are looked at after 8 h of the local standard time of the group, whole days of it', async () => {
    const archive = newFolder()
    await put(archive, 'gate', 1, hoursOf(1, sound))
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    const suspects = new Suspects(archive, { warn: (words) => told.push(words) }, 10 * 60)
    const lookedAfter = async (hours: number): Promise<number | undefined> => {
      rmSync(join(archive, 'suspects.json'), { force: true })
      suspects.step(utcMillis(now + hours * 3_600_000))
      await suspects.settled()
      return existsSync(join(archive, 'suspects.json')) ? hours : undefined
    }
    const looks: (number | undefined)[] = []
    // At UTC+10 the hour 8 is 22 h of UTC.
    for (let hours = 12; hours < 72; hours++) looks.push(await lookedAfter(hours))
    expect(looks.filter((one) => one !== undefined)).toEqual([12, 22, 46, 70])
    await put(
      archive,
      'quarry',
      3,
      hoursOf(3, (day) => (day < days - 12 ? 1 : 0.45)),
    )
    // The newest midnight there is ten hours before that of UTC; what came after it counts the next day.
    const early = new Suspects(archive, { warn: () => undefined }, 10 * 60)
    early.step(utcMillis(now - 1))
    await early.settled()
    expect(early.of('quarry')[0]?.since).toBe(utcText(utcMillis(now - 10 * 3_600_000 - 10 * 86_400_000)))
  })

  it('are not read again by a restart on the same day, and a stop does not wait for those that were not read yet', async () => {
    const archive = newFolder()
    await put(archive, 'gate', 1, hoursOf(1, halved))
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    await put(archive, 'quarry', 3, hoursOf(3, sound))
    const stopped = new Suspects(archive, { warn: () => undefined })
    stopped.step(now)
    await stopped.end()
    expect(existsSync(join(archive, 'suspects.json'))).toBe(false)
    await looked(archive)
    const written = readFileSync(join(archive, 'suspects.json'), 'utf8')
    await put(archive, 'north', 4, hoursOf(4, halved))
    const again = await looked(archive)
    expect([readFileSync(join(archive, 'suspects.json'), 'utf8'), codes(again, 'north')]).toEqual([
      written,
      [],
    ])
    expect(codes(again, 'gate')).toEqual(['gain-step'])
  })

  it('do not hold another unit against the one before it', async () => {
    const archive = newFolder()
    const swappedAt = (days - 12) * 24
    const [before, after] = [hoursOf(1, halved).slice(0, swappedAt), hoursOf(1, halved).slice(swappedAt)]
    const swap = siteEntry(from + swappedAt * 3_600_000, 'swapped', { old_serial: 'A1', new_serial: 'B2' })
    await put(archive, 'gate', 1, [anchor(from), ...before, swap, ...after])
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    await put(archive, 'quarry', 3, hoursOf(3, sound))
    expect(codes(await looked(archive), 'gate')).toEqual([])
  })

  it('go on in another store of the same station, after a new card', async () => {
    const archive = newFolder()
    const all = hoursOf(1, halved)
    await put(archive, 'gate', 1, all.slice(0, 2000))
    await put(archive, 'gate', 4, all.slice(2000))
    await put(archive, 'harbour', 2, hoursOf(2, sound))
    await put(archive, 'quarry', 3, hoursOf(3, sound))
    expect(codes(await looked(archive), 'gate')).toEqual(['gain-step'])
  })

  it('are no trouble where there are none, nor where the file of the last look is damaged', async () => {
    for (const text of ['', '{"v":1,"suspects":{"gate":[7]}}', '{"v":1,"suspects":[]}', '[', 'null']) {
      const archive = newFolder()
      writeFileSync(join(archive, 'suspects.json'), text)
      expect((await looked(archive)).of('gate'), text).toEqual([])
    }
    expect(told).toEqual([])
  })
})
