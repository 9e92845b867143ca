/** A fixed number of places; who comes when all are taken waits in turn. */
export class Slots {
  private free: number
  private readonly waiting: (() => void)[] = []

  constructor(places: number) {
    this.free = places
  }

  /** Resolves when a place is taken. */
  take(): Promise<void> {
    if (this.free > 0) {
      this.free--
      return Promise.resolve()
    }
    return new Promise((resolve) => this.waiting.push(resolve))
  }

  give(): void {
    const next = this.waiting.shift()
    if (next) next()
    else this.free++
  }
}
