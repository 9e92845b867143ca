import { spawn } from 'node:child_process'
import { chmodSync, existsSync, mkdtempSync, statSync, writeFileSync } from 'node:fs'
import { connect, type Socket } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { built, runWithoutRights, withoutRights } from '../support/without-rights.js'
import { afterEach, describe, expect, it } from 'vitest'
import {
  askControl,
  listenControl,
  longestSocketPath,
  usualControl,
  type ControlHandler,
  type ControlLimits,
  type ControlSocket,
} from '../../agent/hardware/control-socket.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-control-'))
let names = 0
const freshPath = (): string => join(folder, `c${names++}.sock`)

const open: ControlSocket[] = []
afterEach(async () => {
  for (const socket of open.splice(0)) await socket.close()
})

const echo: ControlHandler = (request) => Promise.resolve({ ok: true, request })

async function listening(
  path: string,
  handle = echo,
  limits: Partial<ControlLimits> = {},
): Promise<ControlSocket> {
  const made = await listenControl({ path, mode: 0o600, limits: { ...usualControl, ...limits } }, handle)
  if (!made.ok) throw new Error(made.fault.detail)
  open.push(made.value)
  return made.value
}

/** What comes on a raw connection until it ends, or until so many lines came. */
function linesOf(socket: Socket, most = Infinity): Promise<string[]> {
  let text = ''
  const lines = (): string[] => text.split('\n').slice(0, -1)
  return new Promise((resolve) => {
    socket.on('error', () => undefined)
    socket.on('close', () => resolve(lines()))
    socket.on('data', (bytes: Buffer) => {
      text += bytes.toString()
      if (lines().length >= most) resolve(lines())
    })
  })
}

describe('the control socket', () => {
  it('answers one JSON request a line, in order, however the bytes were cut', async () => {
    const path = freshPath()
    await listening(path)
    expect(await askControl(path, { do: 'status' })).toEqual({
      ok: true,
      value: { ok: true, request: { do: 'status' } },
    })
    const socket = connect(path)
    const came = linesOf(socket, 3)
    for (const piece of ['{"n"', ':1}\n{"n":2}\nno', ' json\n']) socket.write(piece)
    const [first, second, third] = (await came).map((line) => JSON.parse(line) as Record<string, unknown>)
    expect([first.request, second.request, third.ok]).toEqual([{ n: 1 }, { n: 2 }, false])
    socket.destroy()
  })

  it('is for its own user unless told to let the group in', async () => {
    const own = freshPath()
    await listening(own)
    expect(statSync(own).mode & 0o777).toBe(0o600)
    const shared = freshPath()
    const made = await listenControl({ path: shared, mode: 0o660 }, echo)
    expect(statSync(shared).mode & 0o777).toBe(0o660)
    if (made.ok) await made.value.close()
  })

  it('replaces what a killed agent left behind, and refuses where a live one answers', async () => {
    const path = freshPath()
    const program = `require('net').createServer().listen(${JSON.stringify(path)}, () => console.log('up'))`
    const killed = spawn(process.execPath, ['-e', program])
    await new Promise((resolve) => killed.stdout.once('data', resolve))
    expect(await listenControl({ path, mode: 0o600 }, echo)).toMatchObject({
      ok: false,
      fault: { code: 'store-in-use' },
    })
    const gone = new Promise((resolve) => killed.once('exit', resolve))
    killed.kill('SIGKILL')
    await gone
    expect(existsSync(path)).toBe(true)
    await listening(path)
    expect(await askControl(path, 1)).toMatchObject({ ok: true })
  })

  it('frees its name when it is closed, and then no agent runs', async () => {
    const path = freshPath()
    const socket = await listening(path)
    await socket.close()
    expect(existsSync(path)).toBe(false)
    expect(await askControl(path, 1)).toMatchObject({ ok: false, fault: { code: 'agent-not-running' } })
  })

  it('says in plain words when the path is longer than the kernel takes, and takes one of 107 bytes', async () => {
    const fill = longestSocketPath - Buffer.byteLength(folder) - 1
    await listening(join(folder, 'x'.repeat(fill)))
    const long = await listenControl({ path: join(folder, 'x'.repeat(fill + 1)), mode: 0o600 }, echo)
    expect(long).toMatchObject({ ok: false, fault: { code: 'control-unavailable' } })
    expect(!long.ok && long.fault.detail).toContain('107')
  })

  it('leaves alone what is no socket', async () => {
    const path = freshPath()
    writeFileSync(path, 'a letter')
    expect(await listenControl({ path, mode: 0o600 }, echo)).toMatchObject({
      ok: false,
      fault: { code: 'control-unavailable' },
    })
    expect(statSync(path).size).toBe(8)
  })

  it.skipIf(withoutRights === undefined)('tells a user without permission so', async () => {
    const path = freshPath()
    await listening(path)
    chmodSync(folder, 0o711)
    chmodSync(path, 0)
    const script = `
      const { askControl } = await import(${JSON.stringify(built('hardware/control-socket.js'))})
      console.log(JSON.stringify(await askControl(process.argv[1], 1)))`
    const { out } = await runWithoutRights(['--input-type=module', '-e', script, path])
    expect(JSON.parse(out)).toMatchObject({ ok: false, fault: { code: 'control-denied' } })
  })

  it('takes a request of the greatest length and puts out a client whose line is longer', async () => {
    const path = freshPath()
    await listening(path, echo, { requestBytes: 100 })
    expect(await askControl(path, 'x'.repeat(98))).toMatchObject({ ok: true, value: { ok: true } })
    const socket = connect(path)
    const came = linesOf(socket)
    socket.write('y'.repeat(5000))
    const [refused] = await came
    expect(JSON.parse(refused)).toMatchObject({ ok: false })
  })

  it('puts out a client that says nothing, one that never reads, and one too many, while others are served', async () => {
    const path = freshPath()
    const much = { ok: true, words: 'z'.repeat(1_000_000) }
    await listening(path, () => Promise.resolve(much), { idleSeconds: 0.2, clients: 3 })
    const mute = connect(path)
    const greedy = connect(path)
    const ends = [linesOf(mute), new Promise((resolve) => greedy.once('close', resolve))]
    greedy.on('error', () => undefined)
    greedy.pause()
    greedy.write('1\n'.repeat(30))
    expect(await askControl(path, 1)).toMatchObject({ ok: true, value: much })
    const third = connect(path)
    const fourth = connect(path)
    await linesOf(fourth)
    third.destroy()
    // Nobody can read from a socket whose owner does not: its end is seen on the first attempt.
    await ends[0]
    greedy.resume()
    await ends[1]
  })

  it('survives what a request makes it throw, and calls an answer that hangs late', async () => {
    const path = freshPath()
    const handle: ControlHandler = (request) =>
      request === 'hang' ? new Promise(() => undefined) : Promise.reject(new Error('a bug'))
    await listening(path, handle, { answerSeconds: 0.05 })
    expect(await askControl(path, 'throw')).toMatchObject({ ok: true, value: { ok: false } })
    expect(await askControl(path, 'hang')).toMatchObject({ ok: true, value: { ok: false } })
    expect(await askControl(path, 'throw')).toMatchObject({ ok: true, value: { ok: false } })
  })

  it('does not leave who asks waiting for an agent that never answers', async () => {
    const path = freshPath()
    await listening(path, () => new Promise(() => undefined))
    expect(await askControl(path, 1, 0.05)).toMatchObject({ ok: false, fault: { code: 'agent-silent' } })
  })
})
