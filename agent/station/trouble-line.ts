import type { TroubleSeen } from '../alerts/alerts.js'
import type { StageCounts } from '../terms/terms.js'

/** Looked at every ten minutes: seven looks span an hour. */
const looks = 7
const raisedShare = 0.05
const overShare = 0.01
/** Less than this in an hour says nothing of a share. */
const leastBytes = 600

interface Bytes {
  readonly taken: number
  readonly lost: number
}

/** What share of the bytes of a line belonged to no good frame in the last hour. */
export class LineErrors {
  private readonly past: Bytes[] = []

  /** Every ten minutes. @param counts bytes of the decoder */
  look({ taken, refused }: StageCounts): void {
    const lost = Object.values(refused).reduce((sum, bytes) => sum + bytes, 0)
    this.past.push({ taken, lost })
    if (this.past.length > looks) this.past.shift()
  }

  seen(name: string): TroubleSeen | undefined {
    if (this.past.length < 2) return undefined
    const [first, last] = [this.past[0], this.past.at(-1)!]
    const taken = last.taken - first.taken
    if (taken < leastBytes) return undefined
    const share = (last.lost - first.lost) / taken
    if (share < raisedShare && share >= overShare) return undefined
    const value = Math.round(share * 100)
    return { holds: share >= raisedShare, detail: name, value, unit: '%' }
  }
}
