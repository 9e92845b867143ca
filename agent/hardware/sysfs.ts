import { closeSync, constants, fstatSync, openSync, read } from 'node:fs'
import { basename, dirname, join } from 'node:path'
import { promisify } from 'node:util'
import { bad, good, type Outcome } from '../terms/terms.js'

/** One number from a file of the kernel. A read that fails is 'no reading', never 0 (kernel documents, 6.1). */

const longestText = 64

/**
 * Units of the files: kernel documentation of sysfs, 6.1, for hwmon (mV, mA, µW, m°C, milli-percent), power_supply
 * (µV, µA, µW, percent, tenths of °C) and iio (mV, mA, mW, m°C, milli-percent, kPa).
 */
const unitRules: readonly (readonly [RegExp, number])[] = [
  [/^in\d+_(input|average)$/, 1e-3],
  [/^curr\d+_(input|average)$/, 1e-3],
  [/^power\d+_(input|average)$/, 1e-6],
  [/^(temp|humidity)\d+_input$/, 1e-3],
  [/^(voltage|current|power)_(now|avg)$/, 1e-6],
  [/^capacity$/, 1],
  [/^temp$/, 0.1],
  [/^in_(voltage|current|power|temp|humidityrelative)\d*(_[a-z]+)?_(input|raw)$/, 1e-3],
  [/^in_pressure\d*_(input|raw)$/, 10],
]

/** Factor from the file's own unit to V, A, W, °C, %, hPa; undefined for a file whose unit is not known. */
export function sysfsUnit(file: string): number | undefined {
  return unitRules.find(([shape]) => shape.test(file))?.[1]
}

/** The value of a file in V, A, W, °C, % or hPa; of a raw iio file with its offset and scale. Fault: gauge-missing. */
export async function readSysfs(path: string): Promise<Outcome<number>> {
  const unit = sysfsUnit(basename(path))
  if (unit === undefined) return bad('gauge-missing', `${path}: the unit of this file is not known`)
  const value = path.endsWith('_raw') ? await readRaw(path) : await readNumber(path)
  return value.ok ? good(value.value * unit) : value
}

/** (raw + offset) x scale. No offset is 0; without a scale nobody knows what the number means. */
async function readRaw(path: string): Promise<Outcome<number>> {
  const raw = await readNumber(path)
  if (!raw.ok) return raw
  const offset = await readBeside(path, 'offset')
  if (offset && !offset.ok) return offset
  const scale = await readBeside(path, 'scale')
  if (!scale) return bad('gauge-missing', `${path} has no scale beside it`)
  return scale.ok ? good((raw.value + (offset?.value ?? 0)) * scale.value) : scale
}

/** `in_voltage0_scale`, or the one that all voltages share, `in_voltage_scale`; undefined where there is neither. */
async function readBeside(rawPath: string, what: 'offset' | 'scale'): Promise<Outcome<number> | undefined> {
  const own = basename(rawPath).slice(0, -'_raw'.length)
  const shared = /^in_[a-z]+/.exec(own)?.[0] ?? own
  for (const name of new Set([own, shared])) {
    const text = await readText(join(dirname(rawPath), `${name}_${what}`))
    if (text !== 'absent') return numberOf(text, `${name}_${what}`)
  }
  return undefined
}

/** A plain decimal number, or gauge-missing with what was there instead. */
export async function readNumber(path: string): Promise<Outcome<number>> {
  const text = await readText(path)
  return text === 'absent' ? bad('gauge-missing', `${path}: ENOENT`) : numberOf(text, path)
}

function numberOf(text: Outcome<string>, path: string): Outcome<number> {
  if (!text.ok) return text
  if (/^-?\d+(\.\d+)?$/.test(text.value)) return good(Number(text.value))
  return bad('gauge-missing', `${path} reads '${text.value}', not a number`)
}

const readAt = promisify(read)

/** Only the read itself may wait for a driver, so only it goes to a thread: each hand-over wakes the board twice. */
async function readText(path: string): Promise<Outcome<string> | 'absent'> {
  let fd: number | undefined
  try {
    // Non-blocking and a regular file only: a FIFO in its place must not hold a thread of the pool.
    fd = openSync(path, constants.O_RDONLY | constants.O_NONBLOCK)
    if (!fstatSync(fd).isFile()) return bad('gauge-missing', `${path} is not a file`)
    const { buffer, bytesRead } = await readAt(fd, Buffer.alloc(longestText), 0, longestText, 0)
    return good(buffer.toString('latin1', 0, bytesRead).trim())
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException
    return code === 'ENOENT' ? 'absent' : bad('gauge-missing', `${path}: ${code ?? message}`)
  } finally {
    if (fd !== undefined) closeSync(fd)
  }
}
