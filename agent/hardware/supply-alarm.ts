import { readdirSync } from 'node:fs'
import { join } from 'node:path'
import { bad, good, type Outcome, type SupplySign } from '../terms/terms.js'
import { withLimit } from './limit.js'
import { readNumber } from './sysfs.js'

const readLimitSeconds = 2
/** Where the kernel says that a board's supply is below what it needs (hwmon sysfs documentation, 6.1: 1 is the alarm). */
const alarmFile = 'in0_lcrit_alarm'

/** The first device below a hwmon class folder that has such a file; undefined on a board without. */
export function findSupplyAlarm(hwmonFolder: string): string | undefined {
  try {
    const device = readdirSync(hwmonFolder).find((entry) =>
      readdirSync(join(hwmonFolder, entry)).includes(alarmFile),
    )
    return device === undefined ? undefined : join(hwmonFolder, device, alarmFile)
  } catch {
    return undefined
  }
}

/** The file of the kernel that tells a low supply: true while it reads anything but 0. */
export class SupplyAlarm implements SupplySign {
  private pending: Promise<Outcome<number>> | undefined

  constructor(readonly name: string) {}

  async isLow(): Promise<Outcome<boolean>> {
    this.pending ??= readNumber(this.name).finally(() => {
      this.pending = undefined
    })
    const read = await withLimit(this.pending, readLimitSeconds)
    if (read === 'late') return bad('gauge-missing', `${this.name} does not answer`)
    return read.ok ? good(read.value !== 0) : read
  }
}
