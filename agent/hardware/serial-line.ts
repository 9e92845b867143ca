import { readSync, statSync } from 'node:fs'
import { SerialPort } from 'serialport'
import { bad, done, good, type ByteLine, type Fault, type LineFactory, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'

type Binding = Awaited<ReturnType<typeof SerialPort.binding.open>>

const bufferBytes = 4096
const writeLimitSeconds = 2

/**
 * A serial port that serialport opens and configures, and that we pull: its descriptor is non-blocking, so a read costs
 * one system call on our own timer and no wake-up of the thread pool, and a lost adapter cannot make a loop spin.
 */
export function serialLine(
  path: string,
  baudRate: number,
  dtr?: boolean,
  onNote?: (fault: Fault) => void,
): LineFactory {
  return {
    name: path,
    async open(): Promise<Outcome<ByteLine>> {
      try {
        // hupcl off: dropping DTR at close resets some adapters.
        const binding = await SerialPort.binding.open({ path, baudRate, hupcl: false, lock: true })
        if (dtr !== undefined) await setControlLines(binding, dtr, path, onNote)
        return good(new SerialLine(binding))
      } catch (error) {
        return bad(...openFault(path, error))
      }
    },
  }
}

async function setControlLines(
  binding: Binding,
  dtr: boolean,
  path: string,
  onNote?: (fault: Fault) => void,
) {
  try {
    await binding.set({ dtr, rts: dtr, brk: false, cts: false, dsr: false, lowLatency: false })
  } catch (error) {
    onNote?.({ code: 'control-lines', detail: `${path}: ${text(error)}` })
  }
}

const text = (error: unknown): string => (error instanceof Error ? error.message : String(error))

/** serialport's texts, told apart (13.0.0): errno words of open(2), 'Cannot lock port', tcgetattr's refusal. */
function openFault(path: string, error: unknown): [Fault['code'], string] {
  const words = text(error)
  if (/no such file|ENOENT/i.test(words)) return ['port-missing', path]
  if (/permission denied|EACCES/i.test(words)) return ['port-denied', path]
  if (/cannot lock|EBUSY|resource busy/i.test(words)) return ['port-busy', path]
  if (!isDevice(path) || /tcgetattr|inappropriate ioctl|is a directory/i.test(words))
    return ['port-not-serial', `${path} (${whatIsIt(path)})`]
  return ['port-failed', `${path}: ${words}`]
}

function isDevice(path: string): boolean {
  try {
    return statSync(path).isCharacterDevice()
  } catch {
    return true
  }
}

function whatIsIt(path: string): string {
  try {
    const stat = statSync(path)
    return stat.isDirectory() ? 'a folder' : stat.isFile() ? 'a file' : 'another kind of device'
  } catch {
    return 'unknown'
  }
}

class SerialLine implements ByteLine {
  private readonly buffer = Buffer.alloc(bufferBytes)
  private lost = false

  constructor(private readonly binding: Binding) {}

  readAvailable(): Uint8Array | 'nothing' | 'gone' {
    const fd = (this.binding as { fd?: number | null }).fd
    if (this.lost || typeof fd !== 'number') return 'gone'
    try {
      const length = readSync(fd, this.buffer, 0, bufferBytes, null)
      // A hung-up line reads as end of file for ever.
      if (length > 0) return this.buffer.subarray(0, length)
    } catch (error) {
      if ((error as NodeJS.ErrnoException).code === 'EAGAIN') return 'nothing'
    }
    this.lost = true
    return 'gone'
  }

  async write(bytes: Uint8Array): Promise<Outcome<void>> {
    if (this.lost || !this.binding.isOpen) return bad('port-gone', 'the line is closed')
    try {
      return (await withLimit(this.binding.write(Buffer.from(bytes)), writeLimitSeconds)) === 'late'
        ? bad('port-failed', 'a command could not be written in time')
        : done
    } catch (error) {
      return bad('port-failed', text(error))
    }
  }

  async close(): Promise<void> {
    this.lost = true
    if (!this.binding.isOpen) return
    try {
      await this.binding.close()
    } catch {
      // The device is already gone; there is nothing left to release.
    }
  }
}
