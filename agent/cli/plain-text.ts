/** Texts are made for the narrowest usual terminal. */
export const textWidth = 79

/** Breaks a text between words; what goes on below stands indented. */
export function folded(text: string, width: number, indent = 0): string {
  const lines: string[] = []
  for (const word of text.split(' ')) {
    const last = lines[lines.length - 1]
    if (last !== undefined && last.length + 1 + word.length <= width)
      lines[lines.length - 1] = `${last} ${word}`
    else lines.push(lines.length === 0 ? word : ' '.repeat(indent) + word)
  }
  return lines.join('\n')
}

/** Rows of cells under headings, numbers to the right: a table as narrow as its contents. */
export function tableText(rows: readonly (readonly string[])[], leftColumns: number): string[] {
  const widths = rows[0].map((_, column) => Math.max(...rows.map((row) => row[column].length)))
  return rows.map((row) =>
    row
      .map((cell, i) => (i < leftColumns ? cell.padEnd(widths[i]) : cell.padStart(widths[i])))
      .join('  ')
      .trimEnd(),
  )
}

/** Lines from afar: what would move a terminal's cursor, or make a line read otherwise than it is written, becomes a space. */
export const plainLines = (text: string): string =>
  text.replace(/[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u202a-\u202e\u2066-\u2069]/g, ' ')
