import { readdir, readFile } from 'node:fs/promises'
import { join } from 'node:path'
import { bad, good, type Gauge, type GaugeReading, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'
import { readSysfs } from './sysfs.js'

export { sysfsUnit } from './sysfs.js'

export interface SysfsChannel {
  readonly channel: string
  readonly file: string
  /** Multiplies the value after its unit was brought to V, A, W, °C, %, hPa (a voltage divider, a shunt). */
  readonly factor: number
}

export interface SysfsGaugeOptions {
  readonly kind: 'hwmon' | 'power_supply' | 'iio'
  /** The folder of the devices, e.g. /sys/class/hwmon or /sys/bus/iio/devices, or a copied tree. */
  readonly path: string
  /** hwmon, iio: what the device's `name` file says (numbers change between boots); power_supply: the folder's name. */
  readonly device: string
  readonly channels: readonly SysfsChannel[]
}

const readLimitSeconds = 2

/** Battery, sun and climate from the kernel's files. A read that fails or hangs is 'no reading', never 0. */
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
      const value = await readSysfs(join(folder, file))
      if (!value.ok) this.folder = undefined
      readings.push({ channel, value: value.ok ? good(value.value * factor) : value })
    }
    return this.movedMeanwhile(folder, readings)
  }

  /** Between the look at the name and the last read another device may have taken the number. */
  private async movedMeanwhile(
    folder: string,
    readings: readonly GaugeReading[],
  ): Promise<readonly GaugeReading[]> {
    const { kind, device } = this.options
    if (kind === 'power_supply' || (await isNamed(folder, device))) return readings
    this.folder = undefined
    return this.all(bad('gauge-missing', `${this.name} went away while it was read`))
  }

  /** Found anew after each fault: the numbers of hwmon and iio folders move. The name is looked at again at each read. */
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
