import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { BoardPowerCommand } from '../../agent/hardware/board-power.js'
import { onOffSwitch } from '../../agent/hardware/on-off-switch.js'

let folder: string
beforeEach(() => (folder = mkdtempSync(join(tmpdir(), 'motepost-board-'))))
afterEach(() => rmSync(folder, { recursive: true }))

const board = (wakeAlarm: string) =>
  new BoardPowerCommand(
    {
      command: ['sh', '-c', `echo off > ${folder}/ended`],
      wakeAlarm,
      limitSeconds: 20,
      proofFile: join(folder, 'wake-proven.json'),
    },
    () => 1_000_000_000,
  )

it('proves an alarm that can be read back, and ends the board with it set', async () => {
  const alarm = join(folder, 'wakealarm')
  writeFileSync(alarm, '')
  const power = board(alarm)
  expect(await power.isProven()).toBe(false)
  expect((await power.prove()).ok).toBe(true)
  expect([await power.isProven(), readFileSync(alarm, 'utf8')]).toEqual([true, '0'])
  expect(await board(join(folder, 'other')).isProven()).toBe(false)
  expect((await power.offFor(7200)).ok).toBe(true)
  expect([readFileSync(alarm, 'utf8'), readFileSync(join(folder, 'ended'), 'utf8')]).toEqual([
    '1007200',
    'off\n',
  ])
})

it('does not end a board whose alarm cannot be set', async () => {
  const power = board('/dev/null')
  expect(await power.offFor(60)).toMatchObject({ ok: false, fault: { code: 'wake-unproven' } })
  expect(() => readFileSync(join(folder, 'ended'))).toThrow()
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
