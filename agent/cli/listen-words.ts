import type { Facts, LayoutFacts, ReadingFacts, TriedFacts } from './listen-facts.js'

/** The facts in plain words, line by line. */
export function wordsOf(facts: Facts): string {
  const paragraphs = facts.recognised ? recognisedWords(facts) : unrecognisedWords(facts)
  return paragraphs
    .filter((lines) => lines.length > 0)
    .map((lines) => lines.join('\n') + '\n')
    .join('\n')
}

function recognisedWords(facts: Facts): string[][] {
  const [best, ...others] = facts.layouts
  return [
    [
      `${facts.port}${atSpeed(facts.baud)} speaks ${best.name}:`,
      `${best.about}.`,
      `${capital(best.sure)}: ${figures(best, facts)}.`,
      ...others.map((other) => `Less likely ${other.name}: ${figures(other, facts)}.`),
      ...mannerWords(best, facts),
      ...facts.notes,
    ],
    facts.reading ? readingWords(facts.reading) : [],
    facts.settings === undefined ? [] : settingsWords(facts.settings),
    recordingWords(facts),
  ]
}

const atSpeed = (baud: number | undefined): string => (baud === undefined ? '' : ` at ${baud} baud`)

function figures({ frames, checksums, share_explained, answers }: LayoutFacts, facts: Facts): string {
  const what = checksums
    ? plural(frames, 'whole frame with its checksum right', 'whole frames with their checksums right')
    : plural(frames, 'whole line that matches', 'whole lines that match') + ' (text has no checksum)'
  const also = answers === 0 ? '' : ` and ${plural(answers, 'answer', 'answers')}`
  const time = facts.seconds > 0 ? ` in ${facts.seconds} s` : ''
  return `${what}${also}${time}, ${percent(share_explained)} of ${plural(facts.bytes, 'byte', 'bytes')}`
}

function mannerWords(best: LayoutFacts, { after_commands }: Facts): string[] {
  if (best.polled)
    return after_commands
      ? ['It must be asked for each reading, as `run` does. It was started and left running.']
      : []
  return after_commands
    ? [
        'It was silent until wake and active commands were sent: asleep or passive.',
        'It was left awake; its first readings are not air yet.',
      ]
    : []
}

function readingWords({ values, error_code, device, version }: ReadingFacts): string[] {
  const width = Math.max(...values.map(({ channel }) => channel.length))
  const digits = Math.max(...values.map(({ value }) => String(value).length))
  return [
    'Newest reading:',
    ...values.map(({ channel, value, unit, scaling, basis }) => {
      const kind = [scaling, basis === 'inferred' ? 'inferred' : undefined].filter(Boolean)
      return `  ${channel.padEnd(width)}  ${String(value).padStart(digits)} ${unit.padEnd(7)} ${kind.join(', ')}`.trimEnd()
    }),
    ...(error_code === 0 ? [] : [`  The sensor reports error code ${error_code}.`]),
    ...(device === undefined ? [] : [`  device ${device}`]),
    ...(version === undefined ? [] : [`  version ${version}`]),
  ]
}

const settingsWords = (lines: string): string[] => [
  'Lines for the settings file (two instruments with the same channels each need a `slot:` too):',
  '',
  lines,
]

function unrecognisedWords(facts: Facts): string[][] {
  if (facts.heard === 'not-opened') return [[capital(facts.fault!.words), ...facts.notes]]
  if (facts.heard === 'stopped')
    return [['Stopped before anything was recognised.'], triedWords(facts.tried), recordingWords(facts)]
  return [
    [
      `${facts.port}: ${headline(facts)}`,
      ...facts.sample.map((line) => `  | ${line}`),
      ...facts.notes,
      ...(facts.fault ? [capital(facts.fault.words)] : []),
    ],
    triedWords(facts.tried),
    facts.causes.length === 0
      ? []
      : [
          'Causes, the most likely first:',
          ...facts.causes.map((cause, i) => wrapped(`  ${i + 1}. ${cause}`)),
        ],
    recordingWords(facts),
  ]
}

function headline({ heard, bytes, baud, layouts, tried }: Facts): string {
  const at = atSpeed(baud)
  switch (heard) {
    case 'nothing':
      return 'not one byte came.'
    case 'answers':
      return `commands are answered${at}, as by ${layouts.map(({ name }) => name).join(' or ')}, but no reading came.`
    case 'damaged':
      return `frames come${at}, but none is whole (${bytes} bytes).`
    case 'console':
      return `this is the text of a console${at}, not a sensor:`
    case 'text':
      return `text that matches no layout${at}:`
    case 'echo':
      return 'nothing came but our own commands, repeated.'
    default:
      return tried.length > 1
        ? 'bytes came, but at no speed a frame.'
        : `${plural(bytes, 'byte', 'bytes')} came${at}, but no frame.`
  }
}

function triedWords(tried: readonly TriedFacts[]): string[] {
  if (tried.length === 0) return []
  return ['Tried:', ...tried.map((one) => `  ${triedLine(one)}`)]
}

function triedLine({ baud, seconds, commands, bytes }: TriedFacts): string {
  const speed = baud === undefined ? '' : `${baud} baud, `
  const sent = commands.length === 0 ? 'listened' : `listened, then sent ${commands.join(', ')}`
  return `${speed}${seconds} s: ${sent}; ${plural(bytes, 'byte', 'bytes')}`
}

function recordingWords({ recording, recording_fault }: Facts): string[] {
  if (recording_fault !== undefined) return [`No recording was written: ${recording_fault}.`]
  if (recording === undefined) return []
  return [`Recording: ${recording}`, `Play it again with: motepost listen file:${recording}`]
}

const plural = (n: number, one: string, many: string): string => `${n} ${n === 1 ? one : many}`
const widthCharacters = 100

/** Breaks a long line between words, never inside a command; the rest stands under its first word. */
function wrapped(line: string): string {
  const [first, ...words] = line.match(/^ *\S+|`[^`]*`\S*|\S+/g) ?? ['']
  const lines = [first]
  for (const word of words) {
    const longer = `${lines[lines.length - 1]} ${word}`
    if (longer.length > widthCharacters) lines.push(`     ${word}`)
    else lines[lines.length - 1] = longer
  }
  return lines.join('\n')
}

const percent = (share: number): string =>
  share > 0 && share < 0.01 ? 'less than 1 %' : `${Math.floor(share * 100)} %`
const capital = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1)
