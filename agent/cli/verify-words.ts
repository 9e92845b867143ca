import type { DeskStore } from './desk.js'
import type { Finding, StoreCheck } from './verify-store.js'
import { folded, textWidth } from './demo-words.js'

/** Said each time: a check that passes must not be taken for more than it is. */
export const whatItProves = folded(
  'This check is against accident, not against forgery: a CRC finds what a failing card, a power cut or a careless copy ' +
    'has spoilt. Lines are not signed yet, so whoever can write to the folder can write lines that pass. It says nothing ' +
    'of lines that were removed from the end, nor of whether the sensor saw the air.',
  textWidth,
)

const mostShown = 40

const kindWords: Readonly<Record<string, readonly [one: string, many: string]>> = {
  record: ['record', 'records'],
  anchor: ['time check', 'time checks'],
  event: ['event', 'events'],
  skip: ['skip line', 'skip lines'],
  other: ['line of a later release', 'lines of a later release'],
}

export function checkText(store: DeskStore, check: StoreCheck): string[] {
  const kind = store.isArchive ? "a collector's archive" : "a station's store"
  const head = [`${store.station}, store ${store.storeId}`, `  ${kind}: ${store.folder}`]
  if (check.lines === 0 && check.findingCount === 0) return [...head, '  There are no lines here yet.']
  return [
    ...head,
    folded(`  ${contentsWords(check)}`, textWidth, 2),
    ...check.notes.slice(0, mostShown).map((note) => folded(`  note: ${note}`, textWidth, 4)),
    ...more(check.notes.length, 'notes'),
    ...check.findings
      .slice(0, mostShown)
      .map((finding) => folded(`  FOUND ${findingWords(finding)}`, textWidth, 4)),
    ...more(check.findingCount, 'findings'),
    `  ${verdictWords(check)}`,
  ]
}

function contentsWords({ files, lines, byKind, first, last }: StoreCheck): string {
  const kinds = Object.entries(byKind).map(
    ([kind, n]) => `${n} ${(kindWords[kind] ?? [kind, kind])[n === 1 ? 0 : 1]}`,
  )
  const numbers = first === undefined ? '' : `; numbers ${first} to ${last}`
  return `${lines} lines in ${files} ${files === 1 ? 'file' : 'files'}${kinds.length > 0 ? ` (${kinds.join(', ')})` : ''}${numbers}`
}

const findingWords = ({ file, line, byte, words }: Finding): string => {
  if (file === undefined) return words
  return line === undefined ? `${file}: ${words}` : `${file}, line ${line} (byte ${byte}): ${words}`
}

const more = (count: number, what: string): string[] =>
  count > mostShown ? [`  … and ${count - mostShown} more ${what}; --json gives up to 1000`] : []

const verdictWords = ({ findingCount, lines }: StoreCheck): string =>
  findingCount === 0
    ? `Nothing found: the CRC of all ${lines} lines passes, and no number is missing or stands twice.`
    : `${findingCount} ${findingCount === 1 ? 'thing' : 'things'} found.`
