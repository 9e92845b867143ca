/** Tables whose last column is a sentence. */
import { folded } from './plain-text.js'

const narrowest = 60
const usualWidth = 160

/** Characters in a line: of the terminal; in a pipe so many that a row is a line. */
export const lineWidth = (): number =>
  process.stdout.isTTY ? Math.max(narrowest, (process.stdout.columns || usualWidth) - 1) : usualWidth

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
