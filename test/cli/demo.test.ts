import { spawnSync } from 'node:child_process'
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { play, type Audience } from '../../agent/cli/demo-play.js'
import { readFarEnd } from '../../agent/cli/demo-far-end.js'
import { daysText, messagesText, reasonsText } from '../../agent/cli/demo-report.js'
import type { Player, Scene } from '../../agent/cli/demo-scene.js'
import { screenOf } from '../../agent/cli/demo-screen.js'
import { at, midnightUtcMillis, story } from '../../agent/simulation/slate-hollow.js'
import { linesByHand, meanByHand, recordsByHand } from './demo-hand.js'

const seed = 20260302
const base = mkdtempSync(join(tmpdir(), 'motepost-demo-test-'))
const silent: Audience = { tell: () => undefined, progress: () => undefined }
let folders = 0

async function playTo(until: number, withSeed: number, audience = silent): Promise<Scene> {
  const folder = join(base, String(folders++))
  const played = await play({ folder, seed: withSeed, until, audience })
  if (!played.ok) throw new Error(played.fault.detail)
  return played.value
}

/** Where 4 in 10 readings are spoilt the others, each covering up to 3 s, still fill the hour; the hour of the visit has 1500. */
const fullHourReadings = 1800

const nameOf = ({ made }: Player): string => made.plan.name
const siteOf = (utc: string): number => (Date.parse(utc) - midnightUtcMillis) / 1000

function expectBothEndsEqual({ players }: Scene): void {
  for (const player of players) {
    const here = linesByHand(player.folder)
    expect(here.size).toBeGreaterThan(500)
    expect(linesByHand(player.archiveFolder), nameOf(player)).toEqual(here)
    expect(player.station.safeAway).toBe(player.store.safeSeq)
  }
}

afterAll(() => rmSync(base, { recursive: true, force: true }))

describe('two days at Slate Hollow', () => {
  let scene: Scene
  const told: string[] = []
  let texts: { messages: string[]; days: string[]; excluded: string; marked: string }
  const player = (name: string): Player => scene.players.find((one) => nameOf(one) === name)!

  beforeAll(async () => {
    const tell: Audience['tell'] = (_, words, station) => void told.push(`${station ?? 'site'}: ${words}`)
    scene = await playTo(story.ends, seed, { ...silent, tell })
    const stations = []
    for (const one of scene.players) {
      const farEnd = await readFarEnd(one.archiveFolder)
      if (!farEnd.ok) throw new Error(farEnd.fault.detail)
      const { bearingDegrees } = one.made.plan.place
      stations.push({ name: nameOf(one), bearingDegrees, farEnd: farEnd.value })
    }
    texts = {
      messages: messagesText(stations),
      days: daysText(stations),
      excluded: reasonsText(stations, 'excluded').join('\n'),
      marked: reasonsText(stations, 'marked').join('\n'),
    }
  }, 120_000)

  it('have every line once at the far end, the lines of the outage too', () => {
    expectBothEndsEqual(scene)
    const counts = scene.collector.lines
    expect(counts).toMatchObject({ doubles: 0, conflicts: 0, refused: 0 })
    expect(told).toContain('haul-gate: its link goes down')
    expect(told).toContain('haul-gate: the machine of the broker answers, but no broker listens there')
    const caughtUp = told.find((words) => words.includes('caught up')) ?? ''
    const minutesOff = (story.outage.to - story.outage.from) / 60
    expect(Number(/\d+/.exec(caughtUp)?.[0])).toBeGreaterThanOrEqual(minutesOff - 10)
  })

  it('have a record for every minute of each station, none twice', () => {
    const minutes = (story.ends - story.clockTrusted) / 60
    for (const { folder } of scene.players) {
      const utc = recordsByHand(folder)
        .map((record) => record.utc)
        .filter((text) => text !== '')
      expect(new Set(utc).size).toBe(minutes)
      expect(utc.length).toBe(minutes)
    }
  })

  it('have the hour means that a hand sum over the made bytes gives', () => {
    for (const { made, folder } of scene.players) {
      const records = recordsByHand(folder).filter((record) => record.utc !== '')
      const weight = (record: Record<string, string>): number => Number(record['pm10:used'])
      for (let hour = at(0, '00:00'); hour < story.ends; hour += 3600) {
        const inHour = records.filter(({ utc }) => siteOf(utc) >= hour && siteOf(utc) < hour + 3600)
        const used = inHour.reduce((sum, record) => sum + weight(record), 0)
        const mean = (column: string): number =>
          inHour.reduce(
            (sum, record) => sum + (weight(record) > 0 ? weight(record) * Number(record[column]) : 0),
            0,
          ) / used
        const byHand = meanByHand(made.sensor, hour, hour + 3600, isCounted(made.plan.name))
        const where = `${made.plan.name}, hour ${hour / 3600}`
        // A reading stands for up to 3 s and moves by some at a pull: half a percent, more where 4 in 10 are spoilt.
        const share = byHand.readings < 3000 ? 0.02 : 0.005
        for (const key of ['pm2_5', 'pm10'] as const)
          expect(Math.abs(mean(`${key}:mean`) / byHand[key] - 1), `${where} ${key}`).toBeLessThan(share)
      }
    }
  })

  it('have the day means that a hand sum gives, as printed', () => {
    for (const { made } of scene.players) {
      const rows = texts.days.filter((row) => row.startsWith(made.plan.name))
      expect(rows.length).toBe(2)
      rows.forEach((row, day) => {
        const hours = Array.from({ length: 24 }, (_, i) => at(day, '00:00') + i * 3600)
          .map((from) => meanByHand(made.sensor, from, from + 3600, isCounted(made.plan.name)))
          .filter(({ readings }) => readings >= fullHourReadings)
        const byHand = (key: 'pm2_5' | 'pm10'): number =>
          hours.reduce((sum, hour) => sum + hour[key], 0) / hours.length
        expect(row.split(/\s+/)[2]).toBe(String(hours.length))
        const [pm2_5, pm10] = row.split(/\s+/).slice(3, 5)
        expect(Math.abs(Number(pm2_5.replace('≥', '')) - byHand('pm2_5')), row).toBeLessThan(0.1)
        expect(Math.abs(Number(pm10.replace('≥', '')) - byHand('pm10')), row).toBeLessThan(0.15)
      })
    }
  })

  it('have one alert of dust, at the station downwind while the road is dry, over after it is watered', () => {
    const alerts = [...linesByHand(player('school-lane').archiveFolder).values()]
      .map((text) => text.split(','))
      .filter(([kind, , , , , name]) => kind === 'event' && name === 'alert')
    expect(alerts.map((cells) => /state=([a-z]+)/.exec(cells[6])?.[1])).toEqual(['raised', 'normal'])
    const [raised, back] = alerts.map((cells) => siteOf(cells[4]))
    expect(raised).toBeGreaterThan(story.dryRoad.from)
    expect(raised).toBeLessThan(story.dryRoad.from + 1200)
    expect(back).toBeGreaterThan(story.dryRoad.to)
    expect(back).toBeLessThan(story.dryRoad.to + 3600)
    expect(texts.messages.join(' ')).toMatch(
      /Tue 08:\d\d {2}school-lane: PM10 over 150.*wind\s+from 2[2-8]\d° at \d\.\d m\/s, over\s+the haul road/s,
    )
  })

  it('have no alert and no counted reading while somebody stirs up dust at a station', () => {
    const lines = [...linesByHand(player('north-fence').archiveFolder).values()]
    expect(lines.filter((text) => text.includes('rule=dust'))).toEqual([])
    expect(lines.filter((text) => text.includes(',sitelog,')).length).toBe(4)
    const service = recordsByHand(player('north-fence').folder)
      .map((record) => ({ at: siteOf(record.utc), seconds: /service=([\d.]+)/.exec(record.excluded)?.[1] }))
      .filter(({ seconds }) => seconds !== undefined)
    const { from, to } = story.visit
    // A visit begins between two pulls, ten seconds apart: what the pull after it brings is excluded whole.
    expect(service[0].at).toBe(from - 60)
    expect(Number(service[0].seconds)).toBeLessThanOrEqual(10)
    const total = service.reduce((sum, { seconds }) => sum + Number(seconds), 0)
    expect(Math.abs(total - (to + 600 - from))).toBeLessThanOrEqual(20)
    expect(texts.messages.join(' ')).not.toMatch(/north-fence: PM10/)
  })

  it('have a battery that falls through the cloudy day and recovers', () => {
    expect(texts.messages.join('\n')).toMatch(
      /haul-gate: battery under 30 %.*\n.*haul-gate: battery is back above 40 %/,
    )
    const charge = recordsByHand(player('haul-gate').folder).map((r) => Number(r['state_of_charge:mean']))
    const lowest = Math.min(...charge)
    expect(lowest).toBeLessThan(35)
    expect(charge[0] - lowest).toBeGreaterThan(40)
    expect(Math.max(...charge.slice(charge.indexOf(lowest))) - lowest).toBeGreaterThan(30)
  })

  it('have spoilt frames counted at the sensor with the bad contact, and their time as no-data', () => {
    const { sensor, made } = player('haul-gate')
    const { from, to } = story.badCable
    const spoilt = 0.4 * (to - from)
    expect(sensor.readingsSpoilt).toBeGreaterThan(0.9 * spoilt)
    expect(made.plan.badCable.length).toBe(1)
    expect(texts.excluded).toMatch(/no-data/)
  })
})

/** Seconds of a station that count: none from the start of a visit until ten minutes after its end. */
const isCounted =
  (station: string) =>
  (second: number): boolean =>
    station !== story.visit.station || second < story.visit.from || second > story.visit.to + 600

describe('the demo', () => {
  it('writes the same bytes again, as far as it is played', async () => {
    const long = await playTo(at(0, '10:30'), seed)
    const short = await playTo(at(0, '06:00'), seed)
    short.players.forEach(({ folder }, i) => {
      for (const file of readdirSync(folder).filter((name) => name.startsWith('lines-'))) {
        const bytes = readFileSync(join(folder, file), 'utf8')
        expect(bytes.length).toBeGreaterThan(10_000)
        expect(readFileSync(join(long.players[i].folder, file), 'utf8').startsWith(bytes)).toBe(true)
      }
    })
  }, 120_000)

  it.each([1, Math.floor(Math.random() * 1e9)])(
    'keeps its proof with another chance',
    async (other) => {
      console.info(`seed ${other}`)
      const scene = await playTo(at(0, '11:00'), other)
      expectBothEndsEqual(scene)
      const raised = (name: string): boolean =>
        [...linesByHand(scene.players.find((one) => nameOf(one) === name)!.folder).values()].some((text) =>
          text.includes('rule=dust;state=raised'),
        )
      expect(['north-fence', 'haul-gate', 'school-lane'].map(raised)).toEqual([false, false, true])
    },
    120_000,
  )

  it('shows nothing while it plays where nobody looks, and at a terminal never a line wider than that', () => {
    const written: string[] = []
    const write = (text: string): void => void written.push(text)
    screenOf({ write }).tell(0, 'unseen')
    expect(written).toEqual([])
    const screen = screenOf({ isTTY: true, columns: 40, write })
    screen.tell(0, 'a bad contact spoils frames for longer than a line', 'haul-gate')
    screen.progress(3600, { players: [] } as unknown as Scene)
    screen.end()
    const shown = written.join('').replaceAll('\r\x1b[K', '\n').split('\n')
    expect(shown).toContain('Tue 00:00  haul-gate: a bad contact spo')
    expect(Math.max(...shown.map((line) => line.length))).toBeLessThan(40)
  })
})

/** What the README shows of the demo's last words. */
function readmeExample(): string[] {
  const readme = readFileSync(join(import.meta.dirname, '../../README.md'), 'utf8')
  const block = readme.split('```').find((text) => text.includes('What a phone would have got'))!
  const lines = block.slice(block.indexOf('What a phone')).split('\n')
  expect(lines.length).toBeGreaterThan(15)
  return lines
}

describe('motepost demo', () => {
  const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
  const motepost = (...args: string[]) =>
    spawnSync(process.execPath, [program, 'demo', ...args], { encoding: 'utf8', timeout: 120_000 })

  it('prints messages, table, proof and where the files are into a pipe, and ends with 0', () => {
    const folder = join(base, 'kept')
    const { status, stdout } = motepost('--keep', folder, '--exit')
    expect(status).toBe(0)
    for (const line of readmeExample()) expect(stdout).toContain(line)
    expect(stdout).toMatch(/INVENTED DATA/)
    expect(stdout).toMatch(/What a phone would have got/)
    expect(stdout).toMatch(/Proof: the far end has every line exactly once\./)
    expect(stdout).toContain(folder)
    expect(stdout).not.toContain('\x1b')
    expect(Math.max(...stdout.split('\n').map((line) => line.length))).toBeLessThanOrEqual(80 + base.length)
    expect(readdirSync(folder).sort()).toEqual(['archive', 'haul-gate', 'north-fence', 'school-lane'])
  }, 120_000)

  it('refuses a file, a folder with something in it and a seed that is no number in plain words', () => {
    const file = join(base, 'a-file')
    writeFileSync(file, '')
    for (const [args, code, words] of [
      [['--keep', file], 1, /there is a file where a folder was expected/],
      [['--keep', base], 1, /is not empty/],
      [['--seed', 'x'], 2, /whole number/],
    ] as const) {
      const { status, stdout, stderr } = motepost(...args)
      expect(status).toBe(code)
      expect(stdout + stderr).toMatch(words)
      expect(stdout + stderr).not.toMatch(/\n\s+at /)
    }
  })
})
