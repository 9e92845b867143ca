/** Where an export goes: a file that must be new unless told, or the pipe. Text is gathered into chunks; nothing piles up. */
import { once } from 'node:events'
import { createWriteStream, type WriteStream } from 'node:fs'
import type { Writable } from 'node:stream'
import { wrongUse, type Opened } from './desk.js'

const chunkCharacters = 64 * 1024

export class Sink {
  private texts: string[] = []
  private length = 0
  private failed: Error | undefined

  private constructor(private readonly stream: Writable) {
    stream.on('error', (error) => (this.failed ??= error))
  }

  /** @param file absent: standard output */
  static async open(file: string | undefined, force: boolean): Promise<Opened<Sink>> {
    if (file === undefined) return { ok: true, value: new Sink(process.stdout) }
    const stream: WriteStream = createWriteStream(file, { flags: force ? 'w' : 'wx' })
    try {
      await once(stream, 'open')
      return { ok: true, value: new Sink(stream) }
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException
      if (code === 'EEXIST') return wrongUse(`${file} is there already; --force writes over it`)
      if (code === 'ENOENT') return wrongUse(`${file}: there is no such folder`)
      if (code === 'EISDIR') return wrongUse(`${file} is a folder`)
      return { ok: false, code: 1, words: `${file} cannot be written: ${message}` }
    }
  }

  write(text: string): void {
    this.texts.push(text)
    this.length += text.length
    if (this.length >= chunkCharacters) this.push()
  }

  private push(): void {
    if (this.failed === undefined) this.stream.write(this.texts.join(''))
    this.texts = []
    this.length = 0
  }

  /** Resolves when whoever takes the text has caught up. */
  async drained(): Promise<void> {
    if (this.failed || !this.stream.writableNeedDrain) return
    await once(this.stream, 'drain').catch(() => undefined)
  }

  /** Writes what is left. Answers with what went wrong, if anything did; a reader that went away is nothing wrong. */
  async end(): Promise<string | undefined> {
    this.push()
    await new Promise<void>((resolve) => {
      if (this.failed) return resolve()
      this.stream.once('error', () => resolve())
      if (this.stream === process.stdout) this.stream.write('', () => resolve())
      else this.stream.end(resolve)
    })
    const { code, message } = (this.failed ?? {}) as NodeJS.ErrnoException
    return code === 'EPIPE' ? undefined : message
  }
}
