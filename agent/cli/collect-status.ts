/** The status of a collector in a file of its archive: whole at any time, and what a restart begins with. */
import { readFileSync, statSync } from 'node:fs'
import { join } from 'node:path'
import type { Collector } from '../collector/collector.js'
import type { FaultBoard } from '../health/health.js'
import type { Log, MonoSeconds } from '../terms/terms.js'
import { writeWhole } from './write-whole.js'

export const statusName = 'status.json'
const everySeconds = 10
/** A large group's status is written less often: at most so much a second, 900 MB a day. */
const bytesASecond = 10_000
/** Heard seconds are counted on though nothing else changes. */
const unchangedEverySeconds = 60
/** Ten thousand stations. */
const mostBytes = 64 << 20

export class StatusFile {
  private text = ''
  private writtenAt = -Infinity
  private isTold = false

  constructor(
    private readonly folder: string,
    private readonly collector: Collector,
    private readonly board: FaultBoard,
    private readonly log: Log,
    /** What other parts add. */
    private readonly further: () => Record<string, unknown> = () => ({}),
  ) {}

  /** What was written before; undefined where it cannot be read. */
  read(): unknown {
    const path = join(this.folder, statusName)
    try {
      return statSync(path).size <= mostBytes ? JSON.parse(readFileSync(path, 'utf8')) : undefined
    } catch {
      return undefined
    }
  }

  now(now: MonoSeconds): Record<string, unknown> {
    return { ...this.collector.status(now, this.board.list()), ...this.further() }
  }

  /** At most every ten seconds, when anything changed; of thousands of stations seldomer. @param always at the end */
  step(now: MonoSeconds, always = false): void {
    if (!always && now - this.writtenAt < Math.max(everySeconds, this.text.length / bytesASecond)) return
    const { at, listened_s, ...rest } = this.now(now)
    const text = JSON.stringify(rest)
    if (!always && text === this.text && now - this.writtenAt < unchangedEverySeconds) return
    this.writtenAt = now
    this.text = text
    this.write(JSON.stringify({ v: 1, at, listened_s, ...rest }, null, 1) + '\n')
  }

  private write(text: string): void {
    try {
      writeWhole(join(this.folder, statusName), text)
      this.isTold = false
    } catch (error) {
      if (!this.isTold) this.log.warn(`${statusName} cannot be written: ${(error as Error).message}`)
      this.isTold = true
    }
  }
}
