/**
 * Once a day, each station of the archive beside its neighbours: does one that lives measure nonsense? Days are those of local
 * standard time, whole ones, looked at in the morning: by then what waited for the hours of a modem has come, and people are up.
 */
import { execFile, type ChildProcess } from 'node:child_process'
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import type { Reason } from '../collector/collector.js'
import { utcMillis, type Log, type UtcMillis } from '../terms/terms.js'
import { lookAtStations } from './suspects-look.js'
import { writeWhole } from './write-whole.js'

const fileName = 'suspects.json'
const dayMillis = 86_400_000
const lookHour = 8
/** Reading a large archive takes minutes to hours, and packs must be taken meanwhile. */
const program = join(import.meta.dirname, 'suspects-child.js')
const limits = { timeout: 12 * 3_600_000, maxBuffer: 64 << 20 } as const

type Found = Readonly<Record<string, readonly Reason[]>>

export class Suspects {
  private found = new Map<string, readonly Reason[]>()
  private lookedDay: number | undefined
  private work: Promise<void> | undefined
  private child: ChildProcess | undefined
  private isEnding = false

  /** @param standardOffsetMinutes minutes of local standard time ahead of UTC */
  constructor(
    private readonly archive: string,
    private readonly log: Pick<Log, 'warn'>,
    private readonly standardOffsetMinutes = 0,
  ) {
    this.restore()
  }

  of(station: string): readonly Reason[] {
    return this.found.get(station) ?? []
  }

  /** A look begins with the first step after 8 h of each day, over restarts too. @param utc undefined while no clock is trusted */
  step(utc: UtcMillis | undefined): void {
    if (utc === undefined || this.work) return
    const local = utc + this.standardOffsetMinutes * 60_000
    const day = Math.floor(local / dayMillis - lookHour / 24)
    if (day === this.lookedDay) return
    this.lookedDay = day
    const midnight = Math.floor(local / dayMillis) * dayMillis - this.standardOffsetMinutes * 60_000
    this.work = this.look(utcMillis(midnight), day)
      .catch((error: unknown) => this.log.warn(`stations were not compared: ${(error as Error).message}`))
      .finally(() => (this.work = undefined))
  }

  /** The look that is under way has ended. */
  async settled(): Promise<void> {
    await this.work
  }

  /** Ends the look that is under way; what is missing is looked at after the next start. */
  end(): Promise<void> {
    this.isEnding = true
    this.child?.kill('SIGKILL')
    return this.settled()
  }

  private async look(to: UtcMillis, day: number): Promise<void> {
    const suspects = existsSync(program)
      ? parsed(await this.apart(to))
      : await lookAtStations(this.archive, to, () => this.isEnding)
    if (!suspects || this.isEnding) return
    this.found = new Map(Object.entries(suspects))
    writeWhole(join(this.archive, fileName), JSON.stringify({ v: 1, day, suspects }, null, 1) + '\n')
  }

  /** @returns what the process wrote; undefined where it was ended */
  private apart(to: UtcMillis): Promise<string | undefined> {
    return new Promise((resolve, reject) => {
      const words = [program, this.archive, String(to)]
      this.child = execFile(process.execPath, words, limits, (error, out, complaint) => {
        this.child = undefined
        if (!error) resolve(out)
        else if (this.isEnding) resolve(undefined)
        else reject(new Error(complaint.trim() || (error.killed ? 'it took too long' : 'it was ended')))
      })
    })
  }

  /** What the last look found holds until the next. */
  private restore(): void {
    try {
      const { v, day, suspects } = Object(
        JSON.parse(readFileSync(join(this.archive, fileName), 'utf8')),
      ) as Record<string, unknown>
      if (v !== 1) return
      for (const [station, reasons] of Object.entries(Object(suspects) as Record<string, unknown>))
        if (Array.isArray(reasons) && reasons.every(isReason)) this.found.set(station, reasons)
      if (typeof day === 'number') this.lookedDay = day
    } catch {
      // None was written yet, or it is damaged: the next look finds them again.
    }
  }
}

const parsed = (text: string | undefined): Found | undefined =>
  text === undefined ? undefined : (JSON.parse(text) as Found)

const isReason = (value: unknown): value is Reason => {
  const { code, state, words, firstThing } = Object(value) as Record<string, unknown>
  return state === 'suspect' && [code, words, firstThing].every((text) => typeof text === 'string')
}
