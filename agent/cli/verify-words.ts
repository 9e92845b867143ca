import { keyFingerprint, notProved, type Finding, type FindingKind, type KeyUse } from '../store/store.js'
import { utcText } from '../terms/terms.js'
import { folded, textWidth } from './plain-text.js'
import type { Verified } from './verify.js'

const mostShown = 40
const mostKeys = 1000

const kindWords: Readonly<Record<string, readonly [one: string, many: string]>> = {
  record: ['record', 'records'],
  anchor: ['time check', 'time checks'],
  event: ['event', 'events'],
  skip: ['skip row', 'skip rows'],
  seal: ['seal', 'seals'],
  gone: ['row about removed files', 'rows about removed files'],
}

const fromCopy =
  'take these rows from another copy: the card of the station, the archive of the collector, a stick'

/** The first thing to do about each kind of finding. */
const firstThings: Readonly<Record<Exclude<FindingKind, 'explained'>, string>> = {
  changed: `find out who had the folder in hand; ${fromCopy}`,
  damaged: `copy the folder off this card now, and replace the card; ${fromCopy}`,
  spreadsheet:
    'take the file from another copy, and open only copies in a spreadsheet; the figures may have changed',
  removed: `look for the rows in another copy; find out who had the folder in hand`,
  'missing-file': 'look for the file where this folder was copied from; copy whole folders',
  inserted: 'do not use the inserted row; find out who had the folder in hand',
  double: 'nothing for figures: readers count one of them; find out who had the folder in hand',
  swapped: 'nothing for figures: readers go by numbers; find out who had the folder in hand',
  foreign: 'put the file back to its own folder under its own name',
  rewritten: 'do not use these rows: somebody rewrote them with checks that fit; compare with another copy',
  'sealed-lost': `these rows existed and are lost here; ${fromCopy}`,
  chain: 'compare with another copy: a seal was left out or made anew',
  signature: 'compare with another copy, and with the key that status shows at the station',
  'foreign-key':
    'compare with the keys that motepost keys shows at the station: somebody else signed, or the key was made anew',
  'new-key':
    'compare with the key that motepost keys shows at the station; where it is that one, give it with --key: then it vouches for all before its signatures',
  unreadable: 'give yourself the right to read it, or copy the folder off this card and look there',
  strange: 'read the folder with the release that wrote it, or a later one',
  conflicts: 'look for a cloned card or a folder copied back: two stations wrote under one identity',
}

/** @param keyAsked whether a key to compare with was given */
export function verificationText(stores: readonly Verified[], keyAsked: boolean): string[] {
  return [
    ...stores.flatMap((one) => [...storeText(one, keyAsked), '']),
    'What a check without findings does not prove:',
    ...notProved.map((words) => folded(`- ${words}`, textWidth, 2)),
  ]
}

function storeText({ folder, found }: Verified, keyAsked: boolean): string[] {
  const kind = found.isArchive ? "a collector's archive" : "a station's store"
  const head = [`${found.station}, store ${found.storeId}`, `  ${kind}: ${folder}`]
  const problems = found.findings.filter(({ kind }) => kind !== 'explained')
  const notes = found.findings.filter(({ kind }) => kind === 'explained')
  if (found.lines === 0 && found.findings.length === 0) return [...head, '  There are no rows here yet.']
  return [
    ...head,
    folded(`  ${contentsWords({ folder, found })}`, textWidth, 2),
    ...sealWords({ folder, found }, keyAsked).map((words) => folded(`  ${words}`, textWidth, 2)),
    ...notes.slice(0, mostShown).map(({ words }) => folded(`  note: ${words}`, textWidth, 4)),
    ...more(found.notes, 'notes'),
    ...problems.slice(0, mostShown).map(({ words }) => folded(`  FOUND ${words}`, textWidth, 4)),
    ...more(found.problems, 'findings'),
    ...adviceWords(problems),
    folded(`  ${verdictWords({ folder, found })}`, textWidth, 2),
  ]
}

function contentsWords({ found }: Verified): string {
  const { lines, files, byKind, firstSeq, lastSeq } = found
  const kinds = Object.entries(byKind).map(
    ([kind, n]) => `${n} ${(kindWords[kind] ?? [`'${kind}'`, `'${kind}'`])[n === 1 ? 0 : 1]}`,
  )
  const numbers = firstSeq === undefined ? '' : `; numbers ${firstSeq} to ${lastSeq}`
  const inFiles = `${lines} rows in ${files} ${files === 1 ? 'file' : 'files'}`
  return `${inFiles}${kinds.length > 0 ? ` (${kinds.join(', ')})` : ''}${numbers}`
}

function sealWords({ found }: Verified, keyAsked: boolean): string[] {
  const { seals, signatures, sealedTo, signedTo, lastSeq = 0, gone, keys, keyUses } = found
  const words: string[] = []
  if (seals === 0)
    words.push('not sealed yet: a station seals at each hour, and signs at the end of each day')
  else {
    const signed =
      signatures === 0 ? 'not signed yet' : signedTo > 0 ? `signed up to ${signedTo}` : 'no signature holds'
    words.push(`sealed up to number ${sealedTo}, ${signed}; newest number ${lastSeq}`)
  }
  for (const use of keyUses.slice(0, mostShown))
    words.push(...keyWords(use, keyAsked || use.publicKey !== keys[0]))
  if (keyUses.length > mostShown) words.push(`… and ${keyUses.length - mostShown} more keys`)
  for (const [from, to] of gone)
    words.push(`numbers ${from} to ${to} were removed by the station to make room`)
  return words
}

const compareWords = ' (compare with what motepost status showed at the station, or give it with --key)'

/** Which key signed from when to when, and who says that it may. */
function keyWords(use: KeyUse, isKnown: boolean): string[] {
  const { publicKey, signatures, from, to } = use
  const numbers = from === to ? `number ${from}` : `numbers ${from} to ${to}`
  const did =
    from === undefined
      ? 'no signature here'
      : `${signatures} ${signatures === 1 ? 'signature' : 'signatures'}, ${numbers}${timeWords(use)}`
  const came = cameWords(use)
  return [
    `key: ${keyFingerprint(publicKey)}${isKnown ? '' : compareWords}`,
    `  ${did}${came === '' ? '' : `; ${came}`}`,
  ]
}

function timeWords({ since, until }: KeyUse): string {
  if (since === undefined || until === undefined) return ''
  return since === until ? `, about ${utcText(since)}` : `, about ${utcText(since)} to ${utcText(until)}`
}

function cameWords({ came, namedBy }: KeyUse): string {
  if (came === 'handed-over') return `the key before handed over to it with number ${namedBy}`
  if (came === 'announced') return `number ${namedBy} names it, without the signature of a key before it`
  return came === 'unannounced' ? 'nothing names it' : ''
}

/** Once for each kind that was found. */
function adviceWords(problems: readonly Finding[]): string[] {
  const kinds = [...new Set(problems.map(({ kind }) => kind))].filter((kind) => kind !== 'explained')
  return kinds.map((kind) => folded(`  first thing to do (${kind}): ${firstThings[kind]}`, textWidth, 4))
}

const more = (count: number, what: string): string[] =>
  count > mostShown ? [`  … and ${count - mostShown} more ${what}; --json gives up to 1000`] : []

function verdictWords({ found }: Verified): string {
  const { problems, lines } = found
  if (problems > 0) return `${problems} ${problems === 1 ? 'problem' : 'problems'} found.`
  return `No problem found: the checks of all ${lines} rows fit, and no number is missing or stands twice.`
}

export function verificationJson(stores: readonly Verified[]): string {
  return JSON.stringify({ v: 1, stores: stores.map(asJson), not_proved: notProved })
}

function asJson({ folder, found }: Verified): unknown {
  return {
    store: found.storeId,
    station: found.station,
    folder,
    archive: found.isArchive,
    files: found.files,
    lines: found.lines,
    by_kind: found.byKind,
    first_seq: found.firstSeq,
    last_seq: found.lastSeq,
    seals: found.seals,
    signatures: found.signatures,
    sealed_to: found.sealedTo,
    signed_to: found.signedTo,
    keys: found.keyUses.slice(0, mostKeys).map(keyJson),
    gone: found.gone,
    problems: found.problems,
    notes: found.notes,
    findings: found.findings.map(({ kind, words, file, lineNumber, from, to }) => ({
      kind,
      words,
      file,
      line: lineNumber,
      from,
      to,
      ...(kind === 'explained' ? {} : { first_thing: firstThings[kind] }),
    })),
  }
}

const keyJson = (use: KeyUse) => ({
  public_key: use.publicKey,
  fingerprint: keyFingerprint(use.publicKey),
  came: use.came,
  named_by: use.namedBy,
  signatures: use.signatures,
  from: use.from,
  to: use.to,
  since: use.since === undefined ? undefined : utcText(use.since),
  until: use.until === undefined ? undefined : utcText(use.until),
  vouched_for: use.vouchedFor,
})
