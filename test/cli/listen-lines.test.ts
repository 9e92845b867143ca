import { spawnSync } from 'node:child_process'
import { createServer } from 'node:net'
import { afterEach, expect, it } from 'vitest'
import { serialLine } from '../../agent/hardware/serial-line.js'
import { command, type CommandName, type Layout } from '../../agent/instruments/instruments.js'
import { goodFrames, hex, layoutNamed, layouts, seededBytes } from '../instruments/layouts.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { factsOf, told } from './listen-rig.js'

/** What a made sensor does: `tick` comes 50 times a second, with what it was sent since. */
type Behaviour = (pty: PtyPair, sent: Buffer, tick: number) => void

/** Sends one of the frames ten times a second. */
const sending = (frames: readonly Uint8Array[], pty: PtyPair, tick: number): void => {
  if (tick % 5 === 0) pty.feed(frames[(tick / 5) % frames.length])
}

const shortly = { seconds: 0.6 }

const commandOf = (layout: Layout, name: CommandName): Buffer => Buffer.from(command(layout, name)!)

describeWith(['socat'], 'listening on a real pty', () => {
  let pty: PtyPair
  let timer: NodeJS.Timeout | undefined
  afterEach(async () => {
    clearInterval(timer)
    await pty.end()
  })

  async function sensorAt(behaviour: Behaviour): Promise<string> {
    pty = await startPtyPair()
    let tick = 0
    timer = setInterval(() => behaviour(pty, pty.heard(), tick++), 20)
    return pty.sensor
  }

  it.each([...layouts.values()].map(({ name }) => name))(
    'recognises %s that sends by itself',
    async (name) => {
      const frames = goodFrames(layoutNamed(name))
      const port = await sensorAt((line, _sent, tick) => sending(frames, line, tick))
      const facts = await factsOf(port, { ...shortly, baud: layoutNamed(name).baud })
      expect(facts).toMatchObject({ code: 0, after_commands: false, layouts: [{ name, sure: 'certain' }] })
    },
  )

  it('wakes a sensor that sleeps and ignores the first two wake commands (PC-11)', async () => {
    const layout = layoutNamed('frames-424d-32')
    const wake = commandOf(layout, 'wake')
    let wakes = 0
    const port = await sensorAt((line, sent, tick) => {
      if (sent.includes(wake)) wakes++
      if (wakes > 2) sending(goodFrames(layout), line, tick)
    })
    const { code, text } = await told(port, shortly)
    expect(code).toBe(0)
    expect(text).toContain('speaks frames-424d-32')
    expect(text).toContain('It was silent until wake and active commands were sent')
  })

  it('sets a passive sensor active', async () => {
    const layout = layoutNamed('frames-aac0-10')
    let active = false
    const port = await sensorAt((line, sent, tick) => {
      active ||= sent.includes(commandOf(layout, 'active'))
      if (active) sending(goodFrames(layout), line, tick)
    })
    expect(await factsOf(port, shortly)).toMatchObject({ code: 0, after_commands: true })
  })

  it('starts a polled sensor and asks it for readings, and does not start it again', async () => {
    const layout = layoutNamed('stuffed-7e-floats')
    const frames = goodFrames(layout)
    let starts = 0
    let reads = 0
    const port = await sensorAt((line, sent) => {
      if (sent.includes(commandOf(layout, 'start'))) {
        starts++
        line.feed(hex('7E 00 00 00 00 FF 7E'))
      }
      // Nothing new at first, as a real one says while its fan gets up to speed.
      if (starts > 0 && sent.includes(commandOf(layout, 'read')))
        line.feed(reads++ === 0 ? hex('7E 00 03 00 00 FC 7E') : frames[reads % frames.length])
    })
    const { code, text } = await told(port, { ...shortly, baud: 115_200 })
    expect(code).toBe(0)
    expect(text).toMatch(/speaks stuffed-7e-floats.*It must be asked for each reading/s)
    expect(starts).toBe(1)
  })

  it('opens the port at the speed at which the sensor speaks', async () => {
    const frames = goodFrames(layoutNamed('stuffed-7e-floats'))
    const speedOf = (): string =>
      spawnSync('stty', ['-F', pty.sensor, 'speed'], { encoding: 'utf8' }).stdout.trim()
    console.info('seeds 0 and up')
    const port = await sensorAt((line, _sent, tick) => {
      if (tick % 10 !== 0) return
      line.feed(speedOf() === '115200' ? frames[0] : seededBytes(tick, 40))
    })
    const facts = await factsOf(port, shortly)
    expect(facts).toMatchObject({ code: 0, baud: 115_200, layouts: [{ name: 'stuffed-7e-floats' }] })
  })

  it('knows a console and types nothing into it', async () => {
    const sent: Buffer[] = []
    const port = await sensorAt((line, more, tick) => {
      sent.push(more)
      if (tick % 10 === 0) line.feed(Buffer.from('\r\nstation login: '))
    })
    expect(await factsOf(port, shortly)).toMatchObject({ code: 1, heard: 'console' })
    expect(Buffer.concat(sent)).toHaveLength(0)
  })

  it('knows its own commands when they come back', async () => {
    const port = await sensorAt((line, sent) => {
      if (sent.length > 0) line.feed(sent)
    })
    expect(await factsOf(port, { seconds: 0.5 })).toMatchObject({ code: 1, heard: 'echo', layouts: [] })
  })

  it('says of silence what it sent, and leaves the port free', async () => {
    const port = await sensorAt(() => undefined)
    const facts = await factsOf(port, { seconds: 0.3 })
    expect(facts).toMatchObject({ code: 1, heard: 'nothing' })
    expect(facts.tried[0]).toMatchObject({ baud: 9600, commands: expect.arrayContaining(['wake', 'active']) })
    expect(facts.tried.find(({ baud }) => baud === 115_200)?.commands).toContain('read')
    const again = await serialLine(port, 9600).open()
    expect(again.ok).toBe(true)
    if (again.ok) await again.value.close()
  })

  it('ends when it is interrupted, tells what came and closes the port', async () => {
    const frames = goodFrames(layoutNamed('frames-424d-32'))
    const port = await sensorAt((line, _sent, tick) => sending(frames, line, tick))
    const stop = new AbortController()
    let seen = ''
    const facts = factsOf(
      port,
      { seconds: 600, layout: 'frames-424d-40' },
      { signal: stop.signal, progress: (words) => (seen = words) },
    )
    await waitFor('bytes', () => /[1-9]\d* bytes/.test(seen))
    stop.abort()
    expect(await facts).toMatchObject({ code: 1, heard: 'stopped' })
    const again = await serialLine(port, 9600).open()
    expect(again.ok).toBe(true)
    if (again.ok) await again.value.close()
  })

  it('says that the port went away', async () => {
    const port = await sensorAt(() => undefined)
    let listening = false
    const facts = factsOf(port, { seconds: 600 }, { progress: () => (listening = true) })
    await waitFor('the listening', () => listening)
    clearInterval(timer)
    await pty.unplug()
    expect(await facts).toMatchObject({ code: 1, fault: { code: 'port-gone' } })
  })

  it('leaves no handler of signals behind', async () => {
    const before = process.listenerCount('SIGINT')
    const port = await sensorAt(() => undefined)
    await factsOf(port, { seconds: 0.1 })
    expect(process.listenerCount('SIGINT')).toBe(before)
  })
})

it('recognises what speaks behind a TCP port, and names no speed', async () => {
  const frames = goodFrames(layoutNamed('frames-424d-24'))
  const server = createServer((socket) => {
    socket.on('error', () => undefined)
    for (const frame of frames) socket.write(frame)
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const { port } = server.address() as { port: number }
  const facts = await factsOf(`tcp://127.0.0.1:${port}`, shortly)
  expect(facts).toMatchObject({ code: 0, layouts: [{ name: 'frames-424d-24' }] })
  expect(facts).not.toHaveProperty('baud')
  expect(facts.settings).toContain(`port: tcp://127.0.0.1:${port}`)
  await new Promise((resolve) => server.close(resolve))
  const after = await factsOf(`tcp://127.0.0.1:${port}`, shortly)
  expect(after).toMatchObject({ code: 1, heard: 'not-opened', fault: { code: 'line-unreachable' } })
})
