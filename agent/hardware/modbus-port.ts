import { EventEmitter } from 'node:events'
import type { ByteLine } from '../terms/terms.js'

const pollMilliseconds = 20
const longestAnswer = 256
const exceptionLength = 5
const headAndChecksum = 5

/**
 * A port for the Modbus library over a pulled line: nothing runs between a request and the next. An answer is handed on
 * by the length that was asked for, or as an exception; whether its checksum is right the library says.
 */
export class ModbusPort extends EventEmitter {
  private timer: NodeJS.Timeout | undefined
  private held = Buffer.alloc(0)
  private address = 0
  private code = 0
  private expected = 0
  isLost = false
  /** Bytes of any kind since the last request. */
  heardBytes = 0

  constructor(private readonly line: ByteLine) {
    super()
  }

  get isOpen(): boolean {
    return !this.isLost
  }

  open(callback: (error?: Error) => void): void {
    callback()
  }

  /** Called by the library with one whole request. What is still in the line belongs to an older one. */
  write(request: Buffer): void {
    this.rest()
    this.drain()
    this.held = Buffer.alloc(0)
    this.heardBytes = 0
    this.address = request[0]
    this.code = request[1]
    this.expected = headAndChecksum + 2 * request.readUInt16BE(4)
    void this.line.write(request).then((written) => {
      if (!written.ok) this.isLost = true
    })
    this.timer = setInterval(() => this.look(), pollMilliseconds)
  }

  /** No more looking: the answer came, or its time is over. */
  rest(): void {
    clearInterval(this.timer)
    this.timer = undefined
  }

  private drain(): void {
    for (let reads = 0; reads < 16; reads++) {
      const bytes = this.line.readAvailable()
      if (bytes === 'gone') this.isLost = true
      if (typeof bytes === 'string') return
    }
  }

  private look(): void {
    const bytes = this.line.readAvailable()
    if (bytes === 'gone') {
      this.isLost = true
      this.rest()
    }
    if (typeof bytes === 'string') return
    this.heardBytes += bytes.length
    this.held = Buffer.concat([this.held, bytes]).subarray(-longestAnswer)
    const answer = this.findAnswer()
    if (!answer) return
    this.rest()
    this.emit('data', answer)
  }

  /** Noise before an answer is passed over, as is an answer of another address. */
  private findAnswer(): Buffer | undefined {
    const { held, address, code, expected } = this
    for (let i = 0; i + exceptionLength <= held.length; i++) {
      if (held[i] !== address) continue
      if (held[i + 1] === (code | 0x80)) return held.subarray(i, i + exceptionLength)
      if (held[i + 1] !== code || held[i + 2] !== expected - headAndChecksum) continue
      return i + expected <= held.length ? held.subarray(i, i + expected) : undefined
    }
    return undefined
  }
}
