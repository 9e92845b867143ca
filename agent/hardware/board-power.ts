import { readFile, writeFile } from 'node:fs/promises'
import { bad, done, type BoardPower, type Outcome } from '../terms/terms.js'
import { commandSwitch } from './power-switch.js'

export interface BoardPowerOptions {
  readonly command: readonly string[]
  /** wakealarm of a clock of the kernel (documents of the rtc class, 6.1: seconds since 1970; 0 clears). */
  readonly wakeAlarm: string
  readonly limitSeconds: number
  /** Where `check` writes that the alarm could be set. */
  readonly proofFile: string
}

const proofSeconds = 3600

/** The clock's alarm and the owner's command. The board is not ended unless the alarm was read back as it was set. */
export class BoardPowerCommand implements BoardPower {
  constructor(
    private readonly options: BoardPowerOptions,
    /** Milliseconds since 1970 by the clock of the board, which its alarm goes by. */
    private readonly utcNow: () => number,
  ) {}

  get name(): string {
    return `${this.options.wakeAlarm} and ${this.options.command[0]}`
  }

  /** A proof is one of this alarm and this command: others want their own. */
  private get proof(): string {
    return JSON.stringify({ wake_alarm: this.options.wakeAlarm, command: this.options.command })
  }

  async isProven(): Promise<boolean> {
    const text = await readFile(this.options.proofFile, 'utf8').catch(() => '')
    return text.trim() === this.proof
  }

  /** For `check`: sets an alarm an hour ahead, reads it back, clears it, and writes the proof down. Fault: wake-unproven. */
  async prove(): Promise<Outcome<void>> {
    const set = await this.setAlarm(proofSeconds)
    if (!set.ok) return set
    await writeFile(this.options.wakeAlarm, '0').catch(() => undefined)
    try {
      await writeFile(this.options.proofFile, this.proof + '\n')
      return done
    } catch (error) {
      return unproven(this.options.proofFile, error)
    }
  }

  async offFor(seconds: number): Promise<Outcome<void>> {
    const set = await this.setAlarm(seconds)
    if (!set.ok) return set
    const [program, ...words] = this.options.command
    return commandSwitch([program, ...words], this.options.limitSeconds, 'wake-unproven').cycle()
  }

  private async setAlarm(seconds: number): Promise<Outcome<void>> {
    const { wakeAlarm } = this.options
    const wanted = Math.round(this.utcNow() / 1000 + seconds)
    try {
      // The kernel refuses a second alarm before the first is cleared.
      await writeFile(wakeAlarm, '0')
      await writeFile(wakeAlarm, String(wanted))
      const stands = (await readFile(wakeAlarm, 'utf8')).trim()
      return stands === String(wanted) ? done : bad('wake-unproven', `${wakeAlarm} reads '${stands}'`)
    } catch (error) {
      return unproven(wakeAlarm, error)
    }
  }
}

const unproven = (path: string, error: unknown): Outcome<void> =>
  bad('wake-unproven', `${path}: ${(error as NodeJS.ErrnoException).code ?? 'cannot be written'}`)
