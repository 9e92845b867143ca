import { midnightUtcMillis, standardOffsetMinutes } from '../simulation/slate-hollow.js'
import { kindOf, utcMillis, type UtcMillis } from '../terms/terms.js'

export { folded, tableText, textWidth } from './plain-text.js'

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
