/** One line of a store in words. */
import { boundedAt, type FoundLine } from '../store/store.js'
import {
  bootWord,
  monoSeconds,
  numberText,
  utcText,
  type AnchorLine,
  type EventLine,
  type RecordLine,
} from '../terms/terms.js'
import { boundText } from './desk-records.js'
import { standardText } from './desk-zone.js'
import { offsetText } from './local-time.js'
import { folded, textWidth } from './demo-words.js'
import { recordFacts, type Fact } from './trace-record.js'
import type { Traced } from './trace.js'

const labelWidth = 11

export function traceText(traced: Traced): string[] {
  const { seq, store } = traced
  return [`Number ${seq} of ${store.station}, store ${store.storeId}`, ...factsOf(traced).map(factText)]
}

/** The line itself is shown as it stands, however long: it may be copied. */
function factText([label, words]: Fact): string {
  const text = `  ${label.padEnd(labelWidth - 2)} ${words}`
  return label === 'text' ? text : folded(text.trimEnd(), textWidth, labelWidth + 1)
}

export function traceJson(traced: Traced): string {
  const { seq, store, places, line, delivery, before, after } = traced
  return JSON.stringify({
    v: 1,
    store: store.storeId,
    station: store.station,
    seq,
    places: places.map((found) => ({
      file: found.file,
      line: found.lineNumber,
      byte: found.offset,
      state: found.state,
      ...(found.state === 'line' ? { crc: found.crc, text: found.text } : {}),
    })),
    kind: line?.kind ?? null,
    facts: factsOf(traced).map(([label, words]) => ({ label, words })),
    sent: delivery.known && delivery.uplink ? isSent(delivery.uplink, seq) : null,
    safe_away: delivery.known && delivery.uplink ? delivery.uplink.away.has(seq) : null,
    before: before?.seq ?? null,
    after: after?.seq ?? null,
  })
}

const isSent = (
  uplink: { sent: { has(n: number): boolean }; away: { has(n: number): boolean } },
  seq: number,
) => uplink.sent.has(seq) || uplink.away.has(seq)

function factsOf(traced: Traced): Fact[] {
  const { line, places } = traced
  if (places.length === 0) return [...absentFacts(traced), ...neighbourFacts(traced)]
  const own =
    line && line.kind !== 'other' && line.kind !== 'skip' ? contentFacts(traced, line) : otherFacts(traced)
  return [...placeFacts(traced), ...own, ...deliveryFacts(traced), ...neighbourFacts(traced)]
}

function absentFacts({ skips }: Traced): Fact[] {
  const [skip] = skips
  if (!skip) return [['not here', 'no line of this number, and no skip line says why']]
  const why =
    skip.from > skip.seq
      ? 'its line was dropped while the disk could not be written'
      : 'a start left this number out, to be sure that none is used twice'
  return [['no line', `${why}: skip line ${skip.seq} says so of ${skip.from} to ${skip.to}`]]
}

function placeFacts({ places }: Traced): Fact[] {
  const first = places.find(({ state }) => state === 'line')
  const facts = places.flatMap((found): Fact[] => [
    ['where', `${found.file}, line ${found.lineNumber}, byte ${found.offset}`],
    ['CRC', crcWords(found)],
  ])
  const others = places.filter(
    (found) => found.state === 'line' && first?.state === 'line' && found.text !== first.text,
  )
  if (others.length > 0)
    facts.push(['DOUBLE', 'this number stands here with different contents; the first counts'])
  if (first?.state === 'line') facts.push(['text', first.text])
  return facts
}

function crcWords(found: FoundLine): string {
  if (found.state === 'line') return `passes (${found.crc})`
  if (found.state === 'cut') return 'none: a power cut left the line half written'
  return 'DOES NOT PASS: the line is damaged and not believed'
}

function otherFacts({ line }: Traced): Fact[] {
  if (line?.kind === 'skip')
    return [
      [
        'kind',
        `skip line: no line has the numbers ${line.from} to ${line.to}; ${line.damaged} damaged lines were set aside`,
      ],
    ]
  if (line?.kind === 'other')
    return [['kind', 'a kind of a later release: kept and carried, not interpreted here']]
  return [['kind', 'not understood: damaged, or no columns line says what its values are']]
}

function contentFacts(traced: Traced, line: RecordLine | AnchorLine | EventLine): Fact[] {
  const facts: Fact[] = [['kind', kindWords(line)], ...timeFacts(traced, line)]
  if (line.kind === 'record') facts.push(...recordFacts(traced, line))
  if (line.kind === 'event')
    for (const [key, value] of Object.entries(line.details)) facts.push(['', `${key}: ${value}`])
  return facts
}

function kindWords(line: RecordLine | AnchorLine | EventLine): string {
  if (line.kind === 'record')
    return `record of ${numberText(line.seconds, 1)} s, ${numberText(line.planned, 1)} s planned`
  if (line.kind === 'event') return `event: ${line.name}`
  return `time check by ${line.source}: ${utcText(line.utc)}, error at most ${numberText(line.errorSeconds, 3)} s`
}

// ---- time -----------------------------------------------------------------------------------------------------------

function timeFacts({ survey, zone }: Traced, line: RecordLine | AnchorLine | EventLine): Fact[] {
  const boot: Fact = ['boot', `${bootWord(line.boot)}, ${numberText(line.mono, 2)} s after its start`]
  if (line.kind === 'anchor') return [boot]
  const placed = survey.times.at(line.boot, monoSeconds(line.mono))
  const utc = survey.times.ownOr(line.boot, line.mono, line.seq, line.utc)
  if (utc === undefined) return [['time', unknownWords(survey, line)], boot]
  const check =
    placed &&
    `${placed.interpolated ? 'between two time checks, nearest ' : 'time check '}${placed.anchor.seq} by ${placed.anchor.source}, ${distanceWords(placed.anchor.mono - line.mono)}`
  const error = placed
    ? `error at most ${numberText(placed.errorSeconds, 2)} s (${check})`
    : 'its error is not known: no time check of this boot is here'
  const wrong = line.utc !== undefined && line.utc !== utc
  const from = wrong
    ? `corrected: the line says ${utcText(line.utc!)}, by a time check that was proved wrong`
    : line.utc === undefined
      ? 'corrected: the line itself did not know its time'
      : 'as the trusted clock of the station gave it'
  return [
    [
      'time',
      `${standardText(utc, zone)} standard time UTC${offsetText(zone.offsetMinutes)}, ${utcText(utc)}`,
    ],
    ['', `${from}; ${error}`],
    boot,
  ]
}

function unknownWords({ bounds }: Traced['survey'], { boot, mono }: RecordLine | EventLine): string {
  const known = boundText(boundedAt(bounds.get(boot) ?? {}, mono))
  const none = 'no time check of this boot is known, and none is guessed'
  return known === '' ? `not known: ${none}` : `${known}, by the boots before and after: ${none}`
}

function distanceWords(seconds: number): string {
  const minutes = Math.abs(seconds) / 60
  const length = minutes >= 90 ? `${numberText(minutes / 60, 1)} h` : `${numberText(minutes, 0)} min`
  return seconds > 0 ? `${length} later` : `${length} earlier`
}

// ---- delivery -------------------------------------------------------------------------------------------------------

function deliveryFacts({ seq, store, delivery }: Traced): Fact[] {
  if (store.isArchive)
    return [
      ['safe', 'it is in this archive'],
      ['sent', 'it arrived here'],
      ['safe away', 'this is the far end: it syncs a line before its receipt names it'],
    ]
  if (!delivery.known)
    return [
      ['safe', 'it is in this folder'],
      ['sent', 'not known: no state.json is beside the lines (a copy may have none)'],
      ['safe away', "not known here; the collector's archive has it or has it not"],
    ]
  const safe =
    seq <= delivery.upTo
      ? 'synced: the checkpoint holds lines up to ' + delivery.upTo
      : 'in the file; younger than the last checkpoint, which held lines up to ' + delivery.upTo
  return [['safe', safe], ...awayFacts(delivery, seq)]
}

function awayFacts({ uplink }: Extract<Traced['delivery'], { known: true }>, seq: number): Fact[] {
  if (!uplink) return [['sent', 'nothing is kept about sending: there is no uplink, or it is new']]
  const range = (set: typeof uplink.sent): string => {
    const found = set.ranges().find(([from, to]) => from <= seq && seq <= to)
    return found ? `as one of ${found[0]} to ${found[1]}` : ''
  }
  if (uplink.away.has(seq))
    return [
      ['sent', 'yes'],
      ['safe away', `yes: a receipt of the collector names it (${range(uplink.away)})`],
    ]
  if (uplink.sent.has(seq))
    return [
      ['sent', `yes: the broker acknowledged it (${range(uplink.sent)})`],
      ['safe away', 'not yet: no receipt names it'],
    ]
  return [['sent', 'not by the last checkpoint: what was sent after it is not known here']]
}

function neighbourFacts({ before, after }: Traced): Fact[] {
  return [
    ['before', before ? `${before.seq}: ${shortText(before.text)}` : 'none: it is the first here'],
    ['after', after ? `${after.seq}: ${shortText(after.text)}` : 'none: it is the last here'],
  ]
}

const shortText = (text: string): string => (text.length > 60 ? text.slice(0, 59) + '…' : text)
