/** What a station may write to the journal, so that a fault that comes and goes for months cannot fill the card. */

/** The same words so often in an hour; further ones are counted and told with the next that passes. */
export const mostAlikeAnHour = 12
/** Of all entries together. */
export const mostBytesADay = 1_000_000

const hourSeconds = 3600
const daySeconds = 86_400
/** Different words that are told apart; of more the oldest are forgotten. */
const mostWords = 200

interface Told {
  since: number
  times: number
  heldBack: number
}

export class LogBudget {
  private readonly told = new Map<string, Told>()
  private dayBegan = -Infinity
  private bytes = 0

  /**
   * @param nowSeconds of a clock that never steps
   * @returns how many alike were held back before this one; undefined: this one is held back too
   */
  take(words: string, bytes: number, nowSeconds: number): number | undefined {
    if (nowSeconds - this.dayBegan >= daySeconds) {
      this.dayBegan = nowSeconds
      this.bytes = 0
    }
    const told = this.toldOf(words, nowSeconds)
    if (told.times >= mostAlikeAnHour || this.bytes + bytes > mostBytesADay) {
      told.heldBack++
      return undefined
    }
    told.times++
    this.bytes += bytes
    const { heldBack } = told
    told.heldBack = 0
    return heldBack
  }

  private toldOf(words: string, nowSeconds: number): Told {
    const known = this.told.get(words)
    if (known && nowSeconds - known.since < hourSeconds) return known
    const told = { since: nowSeconds, times: 0, heldBack: known?.heldBack ?? 0 }
    this.told.delete(words)
    this.told.set(words, told)
    if (this.told.size > mostWords) this.told.delete(this.told.keys().next().value!)
    return told
  }
}
