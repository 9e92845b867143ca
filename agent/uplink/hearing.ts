import type { FaultCode, MonoSeconds } from '../terms/terms.js'

/** Nobody was reached: the link may be at fault, not the broker. */
const deafness: ReadonlySet<FaultCode> = new Set<FaultCode>(['broker-silent', 'broker-unreachable'])
/** After so many publishes in a row without an answer the connection is given up. */
const mostSilent = 3

/** Whether anything answers at all, and since when nothing does. A refusal is an answer: the link works. */
export class Hearing {
  deafSince: MonoSeconds | undefined
  private silentInARow = 0

  connected(): void {
    this.silentInARow = 0
    this.deafSince = undefined
  }

  /** An attempt to connect or a publish ended. @param code of its fault; absent where it went well */
  ended(code: FaultCode | undefined, now: MonoSeconds): void {
    if (code === undefined) this.silentInARow = 0
    else if (code === 'broker-silent' || code === 'link-lost') this.silentInARow++
    if (code === 'link-lost') return
    if (code === undefined || !deafness.has(code)) this.deafSince = undefined
    else this.deafSince ??= now
  }

  get givenUp(): boolean {
    return this.silentInARow >= mostSilent
  }
}
