import { spawn } from 'node:child_process'
import { mkdtempSync, readdirSync, symlinkSync, writeFileSync } from 'node:fs'
import { createServer, type Server, type Socket } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { recordingLine } from '../../agent/hardware/recording-line.js'
import { serialLine } from '../../agent/hardware/serial-line.js'
import { tcpLine } from '../../agent/hardware/tcp-line.js'
import type { ByteLine, Fault, LineFactory, Outcome } from '../../agent/terms/terms.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith, findProgram } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { root, runWithoutRights, withoutRights } from '../support/without-rights.js'

const bytes = Uint8Array.from({ length: 200 }, (_, i) => i)

async function opened(factory: LineFactory): Promise<ByteLine> {
  const line = await factory.open()
  if (!line.ok) throw new Error(line.fault.detail)
  return line.value
}

/** Pulls until so many bytes came. */
async function pull(line: ByteLine, length: number): Promise<Buffer> {
  let got = Buffer.alloc(0)
  await waitFor(`${length} bytes`, () => {
    const more = line.readAvailable()
    if (typeof more !== 'string') got = Buffer.concat([got, more])
    return got.length >= length || more === 'gone'
  })
  return got
}

const code = (outcome: Outcome<unknown>): string => (outcome.ok ? 'ok' : outcome.fault.code)

interface Rig {
  readonly factory: LineFactory
  feed(data: Uint8Array): void
  /** The far end disappears. */
  break(): Promise<void>
  end(): Promise<void>
}

function lineContract(makeRig: () => Promise<Rig>): void {
  let rig: Rig
  afterEach(() => rig.end())

  it('gives what has come, nothing when there is nothing, and does not wait', async () => {
    rig = await makeRig()
    const line = await opened(rig.factory)
    expect(line.readAvailable()).toBe('nothing')
    rig.feed(bytes)
    expect(await pull(line, 200)).toEqual(Buffer.from(bytes))
    expect(line.readAvailable()).toBe('nothing')
    await line.close()
  })

  it('says gone when the far end was lost, for ever, and takes no command then', async () => {
    rig = await makeRig()
    const line = await opened(rig.factory)
    await rig.break()
    await waitFor('gone', () => line.readAvailable() === 'gone')
    expect(line.readAvailable()).toBe('gone')
    expect(code(await line.write(bytes))).toBe('port-gone')
    await line.close()
    await line.close()
  })

  it('can be opened again after it was closed', async () => {
    rig = await makeRig()
    for (let i = 0; i < 5; i++) {
      const line = await opened(rig.factory)
      await line.close()
      expect(line.readAvailable()).toBe('gone')
    }
  })
}

describeWith(['socat'], 'a serial line on a real pty', () => {
  lineContract(async () => {
    const pty = await startPtyPair()
    return {
      factory: serialLine(pty.sensor, 9600),
      feed: (data) => pty.feed(data),
      break: () => pty.unplug(),
      end: () => pty.end(),
    }
  })

  let pty: PtyPair | undefined
  afterEach(() => pty?.end())

  it('releases its descriptor at each loss: twenty losses leave as many as one', async () => {
    pty = await startPtyPair()
    const descriptors: number[] = []
    for (let i = 0; i < 20; i++) {
      const line = await opened(serialLine(pty.sensor, 9600))
      await pty.unplug()
      await waitFor('gone', () => line.readAvailable() === 'gone')
      await line.close()
      await pty.replug()
      descriptors.push(readdirSync('/proc/self/fd').length)
    }
    expect(Math.max(...descriptors) - descriptors[0]).toBeLessThanOrEqual(1)
  }, 60_000)

  it('sends commands to the sensor', async () => {
    pty = await startPtyPair()
    const line = await opened(serialLine(pty.sensor, 9600))
    expect(await line.write(Uint8Array.of(1, 2, 3))).toEqual({ ok: true, value: undefined })
    let heard = Buffer.alloc(0)
    await waitFor('the command', () => (heard = Buffer.concat([heard, pty!.heard()])).length >= 3)
    expect([...heard]).toEqual([1, 2, 3])
    await line.close()
  })

  it('takes a port without DTR for a note, not for a lost port (PC-14)', async () => {
    pty = await startPtyPair()
    const notes: Fault[] = []
    const line = await opened(serialLine(pty.sensor, 9600, false, (fault) => notes.push(fault)))
    pty.feed(bytes)
    expect(await pull(line, 200)).toHaveLength(200)
    expect(notes.map((n) => n.code)).toEqual(['control-lines'])
    await line.close()
  })

  it('says busy while another program holds the lock, and opens once it is released (PC-04)', async () => {
    pty = await startPtyPair()
    const holder = spawn('flock', ['-x', pty.sensor, '-c', 'echo held; exec sleep 60'], { detached: true })
    await new Promise((resolve) => holder.stdout.once('data', resolve))
    expect(code(await serialLine(pty.sensor, 9600).open())).toBe('port-busy')
    process.kill(-holder.pid!, 'SIGKILL')
    await waitFor('the port', async () => {
      const line = await serialLine(pty!.sensor, 9600).open()
      if (line.ok) await line.value.close()
      return line.ok
    })
  })
})

describe('a serial port that is none (PC-79)', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-lines-'))

  it('is told apart as missing, a file, a folder', async () => {
    writeFileSync(join(folder, 'file'), 'x')
    const missing = await serialLine(join(folder, 'nothing'), 9600).open()
    expect(code(missing)).toBe('port-missing')
    const file = await serialLine(join(folder, 'file'), 9600).open()
    expect(code(file)).toBe('port-not-serial')
    expect(!file.ok && file.fault.detail).toContain('a file')
    const dir = await serialLine(folder, 9600).open()
    expect(code(dir)).toBe('port-not-serial')
    expect(!dir.ok && dir.fault.detail).toContain('a folder')
  })

  it('is told with the words of the system where the reason is another', async () => {
    symlinkSync(join(folder, 'loop'), join(folder, 'loop'))
    const loop = await serialLine(join(folder, 'loop'), 9600).open()
    expect(code(loop)).toBe('port-failed')
    expect(!loop.ok && loop.fault.detail).toMatch(/symbolic link|ELOOP/i)
  })
})

describe('a TCP line', () => {
  lineContract(async () => {
    let socket: Socket | undefined
    const server: Server = createServer((s) => {
      socket = s
      s.on('error', () => undefined)
    })
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
    const { port } = server.address() as { port: number }
    return {
      factory: tcpLine('127.0.0.1', port),
      feed: (data) => void socket?.write(data),
      break: async () => {
        await waitFor('the connection', () => socket !== undefined)
        socket?.destroy()
      },
      end: async () => {
        socket?.destroy()
        await new Promise((resolve) => server.close(resolve))
      },
    }
  })

  it('says unreachable where nobody listens', async () => {
    expect(code(await tcpLine('127.0.0.1', 1).open())).toBe('line-unreachable')
  })
})

describe('a recording as a line', () => {
  it('plays raw bytes and hex text, so many at a pull, and then falls silent', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'motepost-recording-'))
    writeFileSync(join(folder, 'a.bin'), bytes)
    writeFileSync(join(folder, 'a.hex'), `# made\n${Buffer.from(bytes).toString('hex')}\n`)
    for (const name of ['a.bin', 'a.hex']) {
      const line = await opened(recordingLine(join(folder, name), 64))
      expect(await pull(line, 200)).toEqual(Buffer.from(bytes))
      expect(line.readAvailable()).toBe('nothing')
    }
    expect(code(await recordingLine(join(folder, 'none'), 1).open())).toBe('port-missing')
  })
})

it.skipIf(withoutRights === undefined)('a port without permission says so (PC-79)', async () => {
  // Root may open everything, so the attempt is made by a process without rights.
  const script = `
      const { SerialPort } = await import('serialport')
      try { await SerialPort.binding.open({ path: process.argv[1], baudRate: 9600 }); console.log('opened') }
      catch (error) { console.log(error.message) }`
  const pty = findProgram('socat') ? await startPtyPair() : undefined
  if (!pty) return
  const { out } = await runWithoutRights(['--input-type=module', '-e', script, pty.sensor], root)
  await pty.end()
  expect(out).toMatch(/permission denied/i)
})
