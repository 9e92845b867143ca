/** A line of a foreign log, cut into cells. */
import type { ImportPlan } from './import-plan.js'

/** A comma may be inside numbers: it divides cells only where no better divider is. */
export function likelyDelimiter(line: string, decimal: ImportPlan['decimal']): string {
  if (line.includes('\t')) return '\t'
  const count = (character: string): number => line.split(character).length
  if (count('|') > count(',') && count('|') > count(';')) return '|'
  return decimal === 'comma' || count(';') > count(',') ? ';' : ','
}

/** Cells without blanks at their ends and without quotes; a quoted cell may hold the divider, not a line end. */
export function cellsOf(line: string, delimiter: string): string[] {
  if (!line.includes('"')) {
    const cells = delimiter === ' ' ? line.trim().split(/ +/) : line.split(delimiter)
    for (let i = 0; i < cells.length; i++) cells[i] = cells[i].trim()
    return cells
  }
  const cells: string[] = []
  let cell = ''
  let quoted = false
  for (let i = 0; i < line.length; i++) {
    const character = line[i]
    if (character === '"' && quoted && line[i + 1] === '"') cell += line[i++]
    else if (character === '"') quoted = !quoted
    else if (character === delimiter && !quoted) {
      cells.push(cell.trim())
      cell = ''
    } else cell += character
  }
  return [...cells, cell.trim()]
}
