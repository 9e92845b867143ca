import { connect, type Socket } from 'node:net'
import { bad, done, good, type ByteLine, type LineFactory, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'

const connectLimitSeconds = 10
/** Kept for the next pull; a far end that sends faster is held back by TCP itself. */
const mostPending = 4096

/** A serial line behind a TCP port (a serial server, another board). Same contract as a serial port. */
export function tcpLine(host: string, port: number): LineFactory {
  const name = `tcp://${host}:${port}`
  return {
    name,
    async open(): Promise<Outcome<ByteLine>> {
      const socket = connect({ host, port, noDelay: true })
      const opened = new Promise<string | undefined>((resolve) => {
        socket.once('connect', () => resolve(undefined))
        socket.once('error', (error) => resolve(error.message))
      })
      const failed = await withLimit(opened, connectLimitSeconds)
      if (failed === undefined) return good(new TcpLine(socket))
      socket.on('error', () => undefined)
      socket.destroy()
      return bad('line-unreachable', `${name}: ${failed === 'late' ? 'no answer' : failed}`)
    },
  }
}

class TcpLine implements ByteLine {
  private lost = false

  constructor(private readonly socket: Socket) {
    const gone = () => {
      this.lost = true
    }
    // Paused: bytes wait in the socket until pulled.
    socket.pause()
    socket.on('error', gone)
    socket.on('close', gone)
    socket.on('end', gone)
    socket.on('readable', () => undefined)
  }

  readAvailable(): Uint8Array | 'nothing' | 'gone' {
    const waiting = Math.min(this.socket.readableLength, mostPending)
    if (waiting > 0) return this.socket.read(waiting) as Buffer
    return this.lost ? 'gone' : 'nothing'
  }

  async write(bytes: Uint8Array): Promise<Outcome<void>> {
    if (this.lost) return bad('port-gone', 'the line is closed')
    const written = new Promise<Outcome<void>>((resolve) =>
      this.socket.write(bytes, (error) => resolve(error ? bad('port-failed', error.message) : done)),
    )
    const outcome = await withLimit(written, 2)
    return outcome === 'late' ? bad('port-failed', 'a command could not be written in time') : outcome
  }

  close(): Promise<void> {
    this.lost = true
    if (this.socket.destroyed) return Promise.resolve()
    return new Promise((resolve) => {
      this.socket.once('close', () => resolve())
      this.socket.destroy()
    })
  }
}
