import { createHash } from 'node:crypto'
import { readFile, rm, writeFile } from 'node:fs/promises'
import { bad, type BoardPower, type Clock, type Outcome } from '../terms/terms.js'
import { commandSwitch } from './power-switch.js'
import type { WakePath } from './wake-path.js'

export interface BoardPowerOptions {
  /** What ends the board, and its words. */
  readonly command: readonly string[]
  readonly limitSeconds: number
  /** Where it stands what the last trial showed. */
  readonly proofFile: string
  /** Where a trial that is not judged yet stands. */
  readonly trialFile: string
}

/** What is known of a wake path. */
export type WakeProof =
  | { readonly state: 'woke'; readonly lateSeconds: number }
  | { readonly state: 'failed'; readonly words: string }
  /** The board has not been ended since, or nobody vouches for the time yet. */
  | { readonly state: 'under way' }
  | { readonly state: 'none' }

interface Trial {
  readonly of: string
  readonly boot: string
  /** Seconds since 1970. */
  readonly wakeAt: number
}

/** A board that started within this about its alarm was started by it: nobody gives the supply back by hand so well in time. */
const earlySeconds = 30
const lateSeconds = 600

/**
 * The wake path and the owner's command that ends the board. That the board wakes is proven by a trial: it is ended with a wake a
 * few minutes ahead, and the next boot is looked at. Without that proof it is never ended otherwise.
 */
export class BoardPowerCommand implements BoardPower {
  constructor(
    private readonly options: BoardPowerOptions,
    private readonly path: WakePath,
    private readonly clock: Pick<Clock, 'bootId' | 'mono' | 'utc'>,
  ) {}

  get name(): string {
    return `${this.path.name} and ${this.options.command[0]}`
  }

  /** Another path or command wants a proof of its own. Hashed: somebody may have put a password among the words. */
  private get declared(): string {
    const words = JSON.stringify({ ...this.path.declared, command: this.options.command })
    return createHash('sha256').update(words).digest('hex')
  }

  look(): Promise<Outcome<string>> {
    return this.path.look()
  }

  async isProven(): Promise<boolean> {
    return (await this.proof()).state === 'woke'
  }

  /** Judges a trial that has ended, and keeps what it showed. */
  async proof(): Promise<WakeProof> {
    const trial = await this.read<Trial>(this.options.trialFile)
    if (trial) {
      const judged = this.judge(trial)
      if (judged.state === 'under way') return judged
      await this.keep(judged)
    }
    return (
      (await this.read<{ of: string; proof: WakeProof }>(this.options.proofFile))?.proof ?? { state: 'none' }
    )
  }

  private judge({ boot, wakeAt }: Trial): WakeProof {
    const { at, source } = this.clock.utc()
    const now = at / 1000
    if (boot === this.clock.bootId) {
      if (now < wakeAt + lateSeconds) return { state: 'under way' }
      return { state: 'failed', words: 'the board was not ended by the command' }
    }
    // A board without a clock of its own first wants to know the time.
    if (source === undefined) return { state: 'under way' }
    const late = Math.round(now - this.clock.mono() - wakeAt)
    if (late >= -earlySeconds && late <= lateSeconds) return { state: 'woke', lateSeconds: late }
    const words = `the board started ${Math.abs(Math.round(late / 60))} min ${late < 0 ? 'before' : 'after'} it was to wake`
    return { state: 'failed', words }
  }

  private async keep(proof: WakeProof): Promise<void> {
    const { proofFile, trialFile } = this.options
    await writeFile(proofFile, JSON.stringify({ of: this.declared, proof }) + '\n', { flush: true })
    await rm(trialFile, { force: true })
  }

  /** What stands in a file of ours and is of this path and command. */
  private async read<T extends { readonly of: string }>(file: string): Promise<T | undefined> {
    try {
      const value = Object(JSON.parse(await readFile(file, 'utf8'))) as T
      return value.of === this.declared ? value : undefined
    } catch {
      return undefined
    }
  }

  /** Ends the board, to wake so many seconds later, and notes it for the boot after. Fault: wake-unproven. */
  async tryWake(seconds: number): Promise<Outcome<void>> {
    const { proofFile, trialFile } = this.options
    const { at, source } = this.clock.utc()
    if (source === undefined) return bad('wake-unproven', 'nobody vouches for the time: see clock')
    const trial: Trial = {
      of: this.declared,
      boot: this.clock.bootId,
      wakeAt: Math.round(at / 1000 + seconds),
    }
    try {
      await rm(proofFile, { force: true })
      await writeFile(trialFile, JSON.stringify(trial) + '\n', { flush: true })
    } catch (error) {
      return bad('wake-unproven', `${trialFile}: ${(error as NodeJS.ErrnoException).code}`)
    }
    const ended = await this.offFor(seconds)
    if (!ended.ok) await rm(trialFile, { force: true })
    return ended
  }

  async offFor(seconds: number): Promise<Outcome<void>> {
    const armed = await this.path.wakeIn(seconds)
    if (!armed.ok) return armed
    const [program, ...words] = this.options.command
    return commandSwitch([program, ...words], this.options.limitSeconds, 'wake-unproven').cycle()
  }
}
