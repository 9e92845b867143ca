/**
 * What a stage took, gave on, refused by reason and still holds. Nothing is silently dropped:
 * taken = given + refused + held, and health carries these numbers.
 */
export interface StageCounts {
  readonly taken: number
  readonly given: number
  readonly held: number
  readonly refused: Readonly<Record<string, number>>
}

export function isBalanced(counts: StageCounts): boolean {
  const refused = Object.values(counts.refused).reduce((sum, n) => sum + n, 0)
  return counts.taken === counts.given + refused + counts.held
}
