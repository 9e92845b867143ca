/**
 * Work that was started and is not waited for: to a disk, a broker, a device. Whoever owns it can ask whether any is under
 * way, and wait until none is (virtual time stands still meanwhile).
 */
export class InFlight {
  private readonly works = new Set<Promise<unknown>>()

  get any(): boolean {
    return this.works.size > 0
  }

  track(work: Promise<unknown>): void {
    const tracked: Promise<unknown> = work.finally(() => this.works.delete(tracked))
    this.works.add(tracked)
  }

  /** Resolves when what is under way now has ended; what that has started may go on. */
  async now(): Promise<void> {
    await Promise.all(this.works)
  }

  /** Resolves when nothing is under way any more. */
  async settled(): Promise<void> {
    while (this.any) await this.now()
  }
}
