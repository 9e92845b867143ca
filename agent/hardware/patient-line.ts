import { performance } from 'node:perf_hooks'
import { bad, type ByteLine, type Fault, type LineFactory, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'

const openLimitSeconds = 5
const firstRetrySeconds = 45
const longestRetrySeconds = 600

/**
 * A line that is opened when it is needed and kept. One that cannot be opened is tried again after 45 s, then later and
 * later, up to every 10 minutes; what was wrong is said meanwhile.
 */
export class PatientLine {
  private line: ByteLine | undefined
  private failures = 0
  private retryAtSeconds = 0
  private lastFault: Fault | undefined

  constructor(
    private readonly factory: LineFactory,
    private readonly nowSeconds: () => number = () => performance.now() / 1000,
  ) {}

  get name(): string {
    return this.factory.name
  }

  get isOpen(): boolean {
    return this.line !== undefined
  }

  async open(): Promise<Outcome<ByteLine>> {
    if (this.line) return { ok: true, value: this.line }
    if (this.lastFault && this.nowSeconds() < this.retryAtSeconds) return { ok: false, fault: this.lastFault }
    const opened = await this.openInTime()
    if (opened.ok) {
      this.line = opened.value
      this.failures = 0
      this.lastFault = undefined
      return opened
    }
    const wait = Math.min(longestRetrySeconds, firstRetrySeconds * 2 ** this.failures++)
    this.retryAtSeconds = this.nowSeconds() + wait
    this.lastFault = opened.fault
    return opened
  }

  async close(): Promise<void> {
    const { line } = this
    this.line = undefined
    await line?.close()
  }

  private async openInTime(): Promise<Outcome<ByteLine>> {
    const opening = this.factory.open()
    const line = await withLimit(opening, openLimitSeconds)
    if (line !== 'late') return line
    void opening.then(async (late) => {
      if (late.ok) await late.value.close()
    })
    return bad('port-failed', `${this.name} does not open in time`)
  }
}
