import { readFile } from 'node:fs/promises'
import { bad, done, good, type ByteLine, type LineFactory, type Outcome } from '../terms/terms.js'

/**
 * A recording played back as a line: raw bytes, or hex text ('.hex', white space and lines starting with # ignored).
 * It gives `bytesPerPull` at each pull and then nothing: the sensor has fallen silent.
 */
export function recordingLine(path: string, bytesPerPull: number): LineFactory {
  return {
    name: `file:${path}`,
    async open(): Promise<Outcome<ByteLine>> {
      try {
        const raw = await readFile(path)
        return good(
          new RecordingLine(path.endsWith('.hex') ? fromHex(raw.toString('latin1')) : raw, bytesPerPull),
        )
      } catch (error) {
        return bad('port-missing', `${path}: ${(error as Error).message}`)
      }
    },
  }
}

function fromHex(text: string): Buffer {
  return Buffer.from(text.replace(/#.*$/gm, '').replace(/[^0-9a-fA-F]/g, ''), 'hex')
}

class RecordingLine implements ByteLine {
  private at = 0

  constructor(
    private readonly bytes: Uint8Array,
    private readonly bytesPerPull: number,
  ) {}

  readAvailable(): Uint8Array | 'nothing' | 'gone' {
    if (this.at >= this.bytes.length) return 'nothing'
    const from = this.at
    this.at = Math.min(this.bytes.length, from + this.bytesPerPull)
    return this.bytes.subarray(from, this.at)
  }

  /** A recording answers no command. */
  write(): Promise<Outcome<void>> {
    return Promise.resolve(done)
  }

  close(): Promise<void> {
    return Promise.resolve()
  }
}
