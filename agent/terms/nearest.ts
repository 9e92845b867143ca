/** Near misses: which known word somebody probably meant. */

/** Letters to add, drop, change or swap to turn one word into the other (optimal string alignment). */
export function editDistance(a: string, b: string): number {
  let twoBack: number[] = []
  let back = Array.from({ length: b.length + 1 }, (_, j) => j)
  for (let i = 1; i <= a.length; i++) {
    const row = [i]
    for (let j = 1; j <= b.length; j++) {
      const same = a[i - 1] === b[j - 1]
      row[j] = Math.min(back[j] + 1, row[j - 1] + 1, back[j - 1] + (same ? 0 : 1))
      const swapped = i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]
      if (swapped) row[j] = Math.min(row[j], twoBack[j - 2] + 1)
    }
    twoBack = back
    back = row
  }
  return back[b.length]
}

const longestWord = 64
/** Case and the choice of '-', '_', '.' or ' ' are slips of the hand, not of the mind. */
const plain = (word: string): string => word.toLowerCase().replace(/[-_. ]/g, '')

function likeness(typed: string, known: string): number {
  if (plain(typed) === plain(known)) return 0
  // 'pack_every' for 'pack_every_min': the unit was forgotten.
  if (typed.length >= 4 && known.startsWith(`${typed}_`)) return 1
  const distance = editDistance(typed.toLowerCase(), known.toLowerCase())
  return distance <= Math.max(1, Math.floor(Math.max(typed.length, known.length) / 4)) ? distance : Infinity
}

/** The known word nearest to what was typed, where one is near enough to be worth naming. */
export function nearest(typed: string, known: readonly string[]): string | undefined {
  if (typed === '' || typed.length > longestWord) return undefined
  let best: string | undefined
  let bestDistance = Infinity
  for (const word of known) {
    const distance = likeness(typed, word)
    if (distance < bestDistance) [best, bestDistance] = [word, distance]
  }
  return best
}
