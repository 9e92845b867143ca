import { readdirSync, statSync } from 'node:fs'
import { basename } from 'node:path'

const importedShape = /\.(series|events)\.csv$/

/** What to say of a file that `import` made, or of a folder of such; undefined where it is neither. */
export function importedSeriesIn(place: string): string | undefined {
  const names = namesIn(place).filter((name) => importedShape.test(name))
  if (names.length === 0) return undefined
  return (
    `${place}: nothing to verify. ${names.slice(0, 3).join(', ')}${names.length > 3 ? ' …' : ''} was made by motepost import: ` +
    'figures of elsewhere, without numbers, checks, seals or signatures. Compare it with the log it was imported from.'
  )
}

function namesIn(place: string): string[] {
  try {
    return statSync(place).isDirectory() ? readdirSync(place) : [basename(place)]
  } catch {
    return []
  }
}
