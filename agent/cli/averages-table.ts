/** Tables whose last column is a sentence. */
import { folded, textWidth } from './plain-text.js'

const narrowest = 60

/** Characters in a line: of the terminal; in a pipe or a file what COLUMNS says, or as many as anybody can read. */
export function lineWidth(): number {
  const columns = process.stdout.isTTY ? process.stdout.columns : Number(process.env.COLUMNS)
  return columns > 0 ? Math.max(narrowest, columns - 1) : textWidth
}

/** Below this a sentence is not squeezed beside its row, but stands under it. */
const leastSentence = 30

/**
 * Rows under headings, numbers to the right; the last cell of each is folded under itself.
 * @param left how many columns stand to the left; the last one always does
 */
export function sentenceTable(
  rows: readonly (readonly string[])[],
  left: number,
  width = lineWidth(),
): string[] {
  const cells = rows[0].slice(0, -1)
  const widths = cells.map((_, column) => Math.max(...rows.map((row) => row[column].length)))
  const indent = widths.reduce((sum, one) => sum + one + 2, 0)
  return rows.flatMap((row) => {
    const head = widths
      .map((one, i) => (i < left ? row[i].padEnd(one) : row[i].padStart(one)) + '  ')
      .join('')
    const words = row[row.length - 1]
    if (indent + Math.min(words.length, leastSentence) <= width) {
      const [first, ...more] = folded(words, width - indent).split('\n')
      return [(head + first).trimEnd(), ...more.map((line) => ' '.repeat(indent) + line)]
    }
    return [
      head.trimEnd(),
      ...folded(words, width - 4)
        .split('\n')
        .map((line) => '    ' + line),
    ]
  })
}
