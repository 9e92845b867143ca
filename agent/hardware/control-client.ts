import type { Socket } from 'node:net'
import { withLimit } from './limit.js'

/** Answers one request; what it throws is told to the client as an internal error and harms nothing else. */
export type ControlHandler = (request: unknown) => Promise<unknown>

export interface ControlLimits {
  /** A longer line is answered with a refusal and the end of the connection. */
  readonly requestBytes: number
  /** Without a request, or without taking its answer, for so long a client is put out. */
  readonly idleSeconds: number
  readonly answerSeconds: number
  /** More at once are put out at the door. */
  readonly clients: number
}

const refusal = (words: string) => ({ ok: false, words })

/**
 * One client of the control socket. Requests are answered one after the other; while one is worked on or its answer waits
 * in the client's queue nothing more is read, so that a client that only writes, or never reads, costs one line of memory.
 */
export class ControlClient {
  private rest: Buffer = Buffer.alloc(0)
  private ended = false
  private working = false
  private hasRoom: () => void = () => undefined

  constructor(
    private readonly socket: Socket,
    private readonly limits: ControlLimits,
    private readonly handle: ControlHandler,
    private readonly onEnd: () => void,
  ) {
    socket.setTimeout(limits.idleSeconds * 1000, () => this.end())
    socket.on('error', () => this.end())
    socket.on('close', () => this.end())
    socket.on('drain', () => this.hasRoom())
    socket.on('data', (bytes: Buffer) => {
      this.rest = Buffer.concat([this.rest, bytes])
      void this.work()
    })
  }

  end(): void {
    if (this.ended) return
    this.ended = true
    this.socket.destroy()
    this.hasRoom()
    this.onEnd()
  }

  private async work(): Promise<void> {
    if (this.working) return
    this.working = true
    this.socket.pause()
    for (let line = this.nextLine(); line !== undefined && !this.ended; line = this.nextLine())
      await this.say(await this.answer(line))
    if (this.rest.length > this.limits.requestBytes) {
      await this.say(refusal(`a request has at most ${this.limits.requestBytes} bytes`))
      this.end()
    }
    this.working = false
    if (!this.ended) this.socket.resume()
  }

  private nextLine(): string | undefined {
    const end = this.rest.indexOf(10)
    if (end < 0 || end > this.limits.requestBytes) return undefined
    const line = this.rest.toString('utf8', 0, end)
    this.rest = this.rest.subarray(end + 1)
    return line
  }

  private async answer(line: string): Promise<unknown> {
    let request: unknown
    try {
      request = JSON.parse(line)
    } catch {
      return refusal('a request is one line of JSON')
    }
    try {
      const answer = await withLimit(this.handle(request), this.limits.answerSeconds)
      return answer === 'late' ? refusal('the station did not answer in time') : answer
    } catch (error) {
      return refusal(`internal error: ${String(error)}`)
    }
  }

  /** Resolves when the client has room again, or has gone. */
  private say(answer: unknown): Promise<void> {
    return new Promise((resolve) => {
      if (this.ended || this.socket.write(JSON.stringify(answer) + '\n')) return resolve()
      this.hasRoom = resolve
    })
  }
}
