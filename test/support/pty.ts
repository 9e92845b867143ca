import { spawn, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, openSync, writeSync, closeSync, readSync, constants, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { waitFor } from './wait.js'

export interface PtyPair {
  /** The sensor's port, as the agent sees it. */
  readonly sensor: string
  /** Bytes from the sensor; how many the line took. */
  feed(bytes: Uint8Array): number
  /** Bytes the agent has sent to the sensor since the last call. */
  heard(): Buffer
  /** SIGKILL: the adapter is pulled out. */
  unplug(): Promise<void>
  /** A new pair under the same names. */
  replug(): Promise<void>
  end(): Promise<void>
}

/** A pair of real pseudo-terminals made by socat; what is fed at one end is read at the other. */
export async function startPtyPair(): Promise<PtyPair> {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-pty-'))
  const sensor = join(folder, 'sensor')
  const feedPath = join(folder, 'feed')
  let socat: ChildProcess
  let fd: number

  const plug = async (): Promise<void> => {
    socat = spawn('socat', ['-d', `pty,raw,echo=0,link=${sensor}`, `pty,raw,echo=0,link=${feedPath}`], {
      stdio: 'ignore',
    })
    await waitFor('both ends of the pty', () => existsSync(sensor) && existsSync(feedPath))
    fd = openSync(feedPath, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK)
  }
  const unplug = async (): Promise<void> => {
    const gone = new Promise((resolve) => socat.once('exit', resolve))
    closeSync(fd)
    socat.kill('SIGKILL')
    await gone
    for (const link of [sensor, feedPath]) rmSync(link, { force: true })
  }
  const heard = (): Buffer => {
    const buffer = Buffer.alloc(4096)
    try {
      return buffer.subarray(0, readSync(fd, buffer, 0, buffer.length, null))
    } catch {
      return Buffer.alloc(0)
    }
  }
  await plug()
  return {
    sensor,
    feed: (bytes) => {
      try {
        return writeSync(fd, bytes)
      } catch {
        // Nobody reads and the line is full: a real sensor's bytes are lost as well.
        return 0
      }
    },
    heard,
    unplug,
    replug: plug,
    end: async () => {
      if (socat.exitCode === null && socat.signalCode === null) await unplug()
      rmSync(folder, { recursive: true, force: true })
    },
  }
}
