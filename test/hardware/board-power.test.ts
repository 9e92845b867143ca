import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { BoardPowerCommand } from '../../agent/hardware/board-power.js'
import { onOffSwitch } from '../../agent/hardware/on-off-switch.js'
import { rtcAlarm, wakeSwitch } from '../../agent/hardware/wake-path.js'
import { monoSeconds, utcMillis } from '../../agent/terms/terms.js'

let folder: string
beforeEach(() => (folder = mkdtempSync(join(tmpdir(), 'motepost-board-'))))
afterEach(() => rmSync(folder, { recursive: true }))

const startOfBoard = 1_000_000_000
const firstBoot = 'b0070001-0000-4000-8000-000000000001'
const secondBoot = 'b0070002-0000-4000-8000-000000000002'

interface At {
  readonly boot?: string
  /** s since 1970, and since the board's start. */
  readonly now?: number
  readonly uptime?: number
  readonly trusted?: boolean
}

function clockAt({ boot = firstBoot, now = startOfBoard + 100, uptime = 100, trusted = true }: At) {
  const view = { at: utcMillis(now * 1000), source: trusted ? ('rtc' as const) : undefined, errorSeconds: 1 }
  return { bootId: boot, mono: () => monoSeconds(uptime), utc: () => view }
}

const options = (command = ['sh', '-c', `echo off > ${folder}/ended`]) => ({
  command,
  limitSeconds: 20,
  proofFile: join(folder, 'wake-proof.json'),
  trialFile: join(folder, 'wake-trial.json'),
})
const alarmFile = (): string => join(folder, 'wakealarm')
const board = (at: At = {}, command?: string[]) =>
  new BoardPowerCommand(
    options(command),
    rtcAlarm(alarmFile(), () => (at.now ?? startOfBoard + 100) * 1000),
    clockAt(at),
  )
/** A trial at second 100 of the first boot: the board is to wake at second 280. */
async function tried(): Promise<void> {
  writeFileSync(alarmFile(), '')
  expect((await board().tryWake(180)).ok).toBe(true)
}
const wakeAt = startOfBoard + 280

describe('the wake path of a board', () => {
  it('that takes its alarm is not proven by that', async () => {
    writeFileSync(alarmFile(), '')
    expect(await board().look()).toMatchObject({ ok: true })
    expect(readFileSync(alarmFile(), 'utf8')).toBe('0')
    expect(await board().isProven()).toBe(false)
  })

  it('is proven by a boot that began about the time it was to wake, however late that is looked at', async () => {
    await tried()
    expect(readFileSync(alarmFile(), 'utf8')).toBe(String(wakeAt))
    expect(readFileSync(join(folder, 'ended'), 'utf8')).toBe('off\n')
    expect(await board().proof()).toEqual({ state: 'under way' })
    const day = 86_400
    expect(await board({ boot: secondBoot, now: wakeAt + 20 + day, uptime: day }).proof()).toEqual({
      state: 'woke',
      lateSeconds: 20,
    })
    expect(existsSync(options().trialFile)).toBe(false)
    expect(await board({ boot: 'another', now: wakeAt + 9 * day, uptime: 5 }).isProven()).toBe(true)
  })

  it.each([
    ['by hand, minutes before', wakeAt - 90, 'before'],
    ['by hand, the next day', wakeAt + 86_400, 'after'],
  ])('is not proven by a boot %s', async (_, began, word) => {
    await tried()
    const proof = await board({ boot: secondBoot, now: began + 60, uptime: 60 }).proof()
    expect(proof).toMatchObject({ state: 'failed', words: expect.stringContaining(word) })
    expect(await board({ boot: secondBoot, now: began + 3600, uptime: 3600 }).isProven()).toBe(false)
  })

  it('is not proven while nobody vouches for the time, and is once somebody does', async () => {
    await tried()
    const later = { boot: secondBoot, now: wakeAt + 65, uptime: 60 }
    expect(await board({ ...later, trusted: false }).proof()).toEqual({ state: 'under way' })
    expect(await board(later).isProven()).toBe(true)
  })

  it('is not proven where the command did not end the board', async () => {
    await tried()
    expect(await board({ now: wakeAt + 3600, uptime: 3980 }).proof()).toMatchObject({ state: 'failed' })
  })

  it('is proven for this path and command alone, and a new trial begins without proof', async () => {
    await tried()
    const woke = { boot: secondBoot, now: wakeAt + 65, uptime: 60 }
    expect(await board(woke).isProven()).toBe(true)
    expect(await board(woke, ['sh', '-c', 'true']).isProven()).toBe(false)
    expect((await board(woke).tryWake(180)).ok).toBe(true)
    expect(await board(woke).isProven()).toBe(false)
  })

  it('takes no damaged file for a proof', async () => {
    for (const text of ['', 'null', '{"of":1}', '[]', 'x'.repeat(1000)]) {
      for (const file of [options().proofFile, options().trialFile]) writeFileSync(file, text)
      expect(await board().proof(), text).toEqual({ state: 'none' })
    }
  })

  it('leaves the board on where the alarm cannot be set or the time is not known', async () => {
    const path = rtcAlarm('/dev/null', () => 0)
    const power = new BoardPowerCommand(options(), path, clockAt({}))
    expect(await power.offFor(60)).toMatchObject({ ok: false, fault: { code: 'wake-unproven' } })
    expect(await power.tryWake(60)).toMatchObject({ ok: false, fault: { code: 'wake-unproven' } })
    expect(await board({ trusted: false }).tryWake(60)).toMatchObject({ ok: false })
    expect([existsSync(join(folder, 'ended')), existsSync(options().trialFile)]).toEqual([false, false])
  })

  it('may be a program that is told the seconds', async () => {
    const path = wakeSwitch(['sh', '-c', `echo "$0" > ${folder}/armed`], 20)
    const power = new BoardPowerCommand(options(), path, clockAt({}))
    expect((await power.offFor(7200)).ok).toBe(true)
    expect(readFileSync(join(folder, 'armed'), 'utf8')).toBe('7200\n')
    expect(
      await new BoardPowerCommand(options(), wakeSwitch(['false'], 20), clockAt({})).offFor(60),
    ).toMatchObject({
      ok: false,
    })
  })
})

it('runs the commands of a switch one after the other, and tells one that fails', async () => {
  const file = join(folder, 'switched')
  const supply = onOffSwitch(
    ['sh', '-c', `sleep 0.05; echo on >> ${file}`],
    ['sh', '-c', `echo off >> ${file}; exit 3`],
    20,
  )
  const [on, off] = await Promise.all([supply.set(true), supply.set(false)])
  expect([on.ok, off.ok]).toEqual([true, false])
  expect(readFileSync(file, 'utf8')).toBe('on\noff\n')
})
