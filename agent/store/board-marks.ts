import { createHash } from 'node:crypto'

/** What tells a board, the surest first. */
export type Board = readonly { readonly source: string; readonly value: string }[]
/** The same as it is kept: source, and SHA-256 with the store id, so that it says nothing of the board to anybody else. */
export type BoardMarks = Readonly<Record<string, string>>

const markDigits = 32

export const marksOf = (storeId: string, board: Board): BoardMarks =>
  Object.fromEntries(
    board.map(({ source, value }) => [
      source,
      createHash('sha256').update(`${storeId}\n${source}\n${value}`).digest('hex').slice(0, markDigits),
    ]),
  )
