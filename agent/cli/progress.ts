/** How far long work is, on one line of a terminal; nothing where nobody looks. */
export class Progress {
  private readonly shown = process.stderr.isTTY && process.stdout.isTTY
  private newest = -1

  constructor(private readonly what: string) {}

  /** @param share 0 to 1; at 1 the line is taken away. */
  show(share: number): void {
    const percent = Math.floor(share * 100)
    if (!this.shown || percent === this.newest) return
    this.newest = percent
    process.stderr.write(share >= 1 ? '\r\x1b[K' : `\r${this.what}: ${percent} %`)
  }
}
