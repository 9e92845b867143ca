import { midnightUtcMillis, standardOffsetMinutes } from '../simulation/slate-hollow.js'
import { kindOf, utcMillis, type UtcMillis } from '../terms/terms.js'

/** Texts are made for the narrowest usual terminal. */
export const textWidth = 79

export const print = (line: string): void => void process.stdout.write(line + '\n')

export const utcOfSite = (siteSeconds: number): UtcMillis => utcMillis(midnightUtcMillis + siteSeconds * 1000)

export const siteOfUtc = (utc: UtcMillis): number => (utc - midnightUtcMillis) / 1000

const weekdays = ['Sun', 'Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat']

/** 'Tue 09:21' in local standard time. */
export function localText(utc: UtcMillis): string {
  const local = new Date(utc + standardOffsetMinutes * 60_000)
  return `${weekdays[local.getUTCDay()]} ${local.toISOString().slice(11, 16)}`
}

/** 'at least 171.47' as 'at least 171': to people a tenth of such a figure means nothing. */
export const wholeNumbers = (figure: unknown): string =>
  String(figure).replace(/\d+\.\d+/g, (number) => String(Math.round(Number(number))))

/** Unit of what a rule watches, as people write it. */
export const unitOf = ({ channel }: { readonly channel: string }): string =>
  (kindOf(channel)?.unit ?? '').replace('ug/m3', 'µg/m³')

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
