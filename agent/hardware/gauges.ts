import { constants } from 'node:fs'
import { open, readdir, readFile } from 'node:fs/promises'
import { join } from 'node:path'
import { bad, good, type Gauge, type GaugeReading, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'

export interface SysfsChannel {
  readonly channel: string
  readonly file: string
  /** Multiplies the value after its unit was brought to volts, amperes, watts, °C (a voltage divider, a shunt). */
  readonly factor: number
}

export interface SysfsGaugeOptions {
  readonly kind: 'hwmon' | 'power_supply'
  /** The class folder, e.g. /sys/class/hwmon, or a copied tree. */
  readonly path: string
  /** hwmon: what the device's `name` file says (numbers change between boots); power_supply: the folder's name. */
  readonly device: string
  readonly channels: readonly SysfsChannel[]
}

const readLimitSeconds = 2
const longestText = 64

/** Units of the files: kernel documentation of hwmon sysfs and power_supply sysfs (6.1). */
const unitRules: readonly (readonly [RegExp, number])[] = [
  [/^in\d+_(input|average)$/, 1e-3],
  [/^curr\d+_(input|average)$/, 1e-3],
  [/^power\d+_(input|average)$/, 1e-6],
  [/^(temp|humidity)\d+_input$/, 1e-3],
  [/^(voltage|current|power)_(now|avg)$/, 1e-6],
  [/^capacity$/, 1],
  [/^temp$/, 0.1],
]

/** Factor from the file's own unit to V, A, W, °C, %; undefined for a file whose unit is not known. */
export function sysfsUnit(file: string): number | undefined {
  return unitRules.find(([shape]) => shape.test(file))?.[1]
}

/** Battery and solar values from the kernel's files. A read that fails or hangs is 'no reading', never 0. */
export class SysfsGauge implements Gauge {
  private folder: string | undefined
  private pending: Promise<readonly GaugeReading[]> | undefined

  constructor(private readonly options: SysfsGaugeOptions) {}

  get name(): string {
    return `${this.options.path}/${this.options.device}`
  }

  async read(): Promise<readonly GaugeReading[]> {
    // A read that hangs in the driver is waited for, not piled up.
    this.pending ??= this.readAll().finally(() => {
      this.pending = undefined
    })
    const readings = await withLimit(this.pending, readLimitSeconds)
    return readings === 'late' ? this.all(bad('gauge-missing', `${this.name} does not answer`)) : readings
  }

  private all(value: Outcome<number>): GaugeReading[] {
    return this.options.channels.map(({ channel }) => ({ channel, value }))
  }

  private async readAll(): Promise<readonly GaugeReading[]> {
    const folder = await this.find()
    if (!folder) return this.all(bad('gauge-missing', `${this.name} is not there`))
    const readings: GaugeReading[] = []
    for (const { channel, file, factor } of this.options.channels) {
      const value = await readValue(join(folder, file), sysfsUnit(file) ?? 1, factor)
      if (!value.ok) this.folder = undefined
      readings.push({ channel, value })
    }
    return readings
  }

  /** Found anew after each fault: hwmon numbers move. The name is looked at again at each read. */
  private async find(): Promise<string | undefined> {
    const { kind, path, device } = this.options
    if (kind === 'power_supply') return join(path, device)
    if (this.folder && (await isNamed(this.folder, device))) return this.folder
    this.folder = undefined
    for (const entry of await readdir(path).catch(() => [] as string[]))
      if (await isNamed(join(path, entry), device)) return (this.folder = join(path, entry))
    return undefined
  }
}

const isNamed = async (folder: string, name: string): Promise<boolean> =>
  (await readFile(join(folder, 'name'), 'utf8').catch(() => '')).trim() === name

async function readValue(path: string, unit: number, factor: number): Promise<Outcome<number>> {
  let handle
  try {
    // Non-blocking and a regular file only: a FIFO in its place must not hold a thread of the pool.
    handle = await open(path, constants.O_RDONLY | constants.O_NONBLOCK)
    if (!(await handle.stat()).isFile()) return bad('gauge-missing', `${path} is not a file`)
    const { buffer, bytesRead } = await handle.read(Buffer.alloc(longestText), 0, longestText, 0)
    const text = buffer.toString('latin1', 0, bytesRead).trim()
    if (!/^-?\d+(\.\d+)?$/.test(text)) return bad('gauge-missing', `${path} reads '${text}', not a number`)
    return good(Number(text) * unit * factor)
  } catch (error) {
    return bad(
      'gauge-missing',
      `${path}: ${(error as NodeJS.ErrnoException).code ?? (error as Error).message}`,
    )
  } finally {
    await handle?.close().catch(() => undefined)
  }
}
