import type { FaultBoard } from '../health/health.js'
import { secondsBetween, type BoardPower, type MonoSeconds } from '../terms/terms.js'

export interface BoardOffPorts {
  readonly board: BoardPower
  readonly faults: FaultBoard
  readonly tell: (name: string, details: Readonly<Record<string, string>>) => void
  /** Everything on the disk, within a bounded time. */
  readonly makeSafe: () => Promise<void>
  readonly track: (work: Promise<unknown>) => void
}

/** So many looks in a row must find the battery below its cut-off. */
const looksBeforeOff = 5
const where = 'board'
const againAfterSeconds = 3600

/** Ends the board below the cut-off of its battery, but only where it was seen that it will wake again. */
export class BoardOff {
  private looks = 0
  private triedAt: MonoSeconds | undefined
  private running = false
  private askedAt: MonoSeconds | undefined

  constructor(private readonly ports: BoardOffPorts) {}

  /** @param seconds until there is sun again */
  look(isBelowCutOff: boolean, seconds: number, now: MonoSeconds): void {
    this.judgeTrial(now)
    this.looks = isBelowCutOff ? this.looks + 1 : 0
    if (this.looks === 0) this.ports.faults.clear(where, 'wake-unproven')
    if (this.looks < looksBeforeOff || this.running) return
    if (this.triedAt !== undefined && secondsBetween(this.triedAt, now) < againAfterSeconds) return
    this.triedAt = now
    this.running = true
    this.ports.track(this.off(seconds, now).finally(() => (this.running = false)))
  }

  /** A trial is judged by when its next boot began: soon, before there is another, but the time must be known for it. */
  private judgeTrial(now: MonoSeconds): void {
    if (this.askedAt !== undefined && secondsBetween(this.askedAt, now) < againAfterSeconds) return
    this.askedAt = now
    this.ports.track(this.ports.board.isProven())
  }

  /** Told and safe before the alarm is set; whatever fails, the board stays on. */
  private async off(seconds: number, now: MonoSeconds): Promise<void> {
    const { board, faults, tell, makeSafe } = this.ports
    if (!(await board.isProven())) {
      faults.raise(where, { code: 'wake-unproven', detail: board.name }, now)
      return
    }
    tell('power-off', { wake_in_s: String(Math.round(seconds)), by: board.name })
    await makeSafe()
    const off = await board.offFor(seconds)
    if (off.ok) return faults.clear(where, 'wake-unproven')
    faults.raise(where, off.fault, now)
    tell('power-off-failed', { detail: off.fault.detail })
  }
}
