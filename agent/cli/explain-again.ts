/** Every number that a text names, made again from the records: whether what was printed comes out. */
import { readFileSync } from 'node:fs'
import { refuse, say, wrongUse, type Opened } from './desk.js'
import { hasChange } from './explain-change.js'
import { readOnce, type FigureSource } from './explain-source.js'
import { changeKind, explainFigure, type ExplainOptions } from './explain.js'
import { folded, textWidth } from './plain-text.js'
import { Progress } from './progress.js'

/** A line of `averages --detail` and the like. */
export interface Named {
  readonly line: number
  /** As it was printed; absent where the command stands alone. */
  readonly number?: string
  /** What follows `motepost explain`, as a shell parts it. */
  readonly words: readonly string[]
}

interface Differs {
  readonly line: number
  readonly name: string
  readonly printed?: string
  readonly words: string
}

const namedShape = /^(?:.*?(?:(?:^|\s)(-?\d[\d.]*))?: )?\s*motepost explain (\S.*)$/
const mostShown = 20

/** @returns exit code: 0 all came out again, 1 some did not, 2 wrong use */
export async function explainAgain(when: readonly string[], options: ExplainOptions): Promise<number> {
  const read = readText(when, options)
  if (!read.ok) return refuse(read)
  const names = namesIn(read.value)
  if (names.length === 0)
    return refuse(
      wrongUse(`explain again: no line of ${when[0]} has a command that begins 'motepost explain'`),
    )
  const source = readOnce()
  const progress = new Progress('making numbers again')
  const differing: Differs[] = []
  for (const [i, named] of names.entries()) {
    const differs = await differsFrom(named, source)
    if (differs) differing.push(differs)
    progress.show((i + 1) / names.length)
  }
  await say(options.json ? json(names, differing) : text(names, differing).join('\n'))
  return differing.length > 0 ? 1 : 0
}

function readText(when: readonly string[], options: ExplainOptions): Opened<string> {
  const [file, ...more] = when
  if (file === undefined || more.length > 0)
    return wrongUse('explain again: expected a file that names numbers, or - for standard input')
  const idle = Object.keys(options).find((key) => key !== 'json')
  if (idle !== undefined)
    return wrongUse('explain again: the text says where each number is from; --json is all it takes')
  try {
    return { ok: true, value: readFileSync(file === '-' ? 0 : file, 'utf8') }
  } catch (error) {
    return wrongUse(`${file} cannot be read: ${(error as Error).message}`)
  }
}

export const namesIn = (of: string): Named[] =>
  of.split(/\r?\n/).flatMap((line, i) => {
    const [, number, command] = namedShape.exec(line) ?? []
    if (command === undefined) return []
    return [{ line: i + 1, ...(number === undefined ? {} : { number }), words: shellWords(command) }]
  })

/** What `shellWord` made, parted again. */
export const shellWords = (command: string): string[] =>
  [...command.matchAll(/((?:'[^']*'|\\'|[^\s'\\])+)/g)].map(([word]) =>
    word.replace(/'([^']*)'|\\'/g, (_, quoted: string | undefined) => quoted ?? "'"),
  )

/** Undefined where the number comes out again. */
async function differsFrom(
  { line, number, words }: Named,
  source: FigureSource,
): Promise<Differs | undefined> {
  const [figure, ...rest] = words
  const at = rest.findIndex((word) => word.startsWith('--'))
  const when = at < 0 ? rest : rest.slice(0, at)
  const about = {
    line,
    name: [figure, ...when].join(' '),
    ...(number === undefined ? {} : { printed: number }),
  }
  const options = at < 0 ? {} : optionsOf(rest.slice(at))
  if (!options) return { ...about, words: 'the options of its command are not those of explain' }
  if (figure === changeKind) {
    const found = await hasChange(when, options)
    return found.ok && found.value
      ? undefined
      : { ...about, words: found.ok ? 'there are too few days' : found.words }
  }
  const explained = await explainFigure(figure, when, options, source)
  if (!explained.ok) return { ...about, words: explained.words }
  const figures = explained.value.all.map((one) => one.figure)
  return number === undefined || figures.includes(number)
    ? undefined
    : { ...about, words: `${figures.join(' and ')} comes out` }
}

const known: Readonly<Record<string, keyof ExplainOptions>> = {
  '--channel': 'channel',
  '--unit': 'unit',
  '--store': 'store',
  '--store-id': 'storeId',
  '--settings': 'settings',
  '--zone': 'zone',
  '--limits': 'limits',
  '--own-limits': 'ownLimits',
  '--until': 'until',
  '--background': 'background',
  '--background-channel': 'backgroundChannel',
  '--from': 'from',
  '--to': 'to',
  '--seed': 'seed',
  '--events': 'events',
  '--humidity': 'humidity',
  '--humidity-channel': 'humidityChannel',
}

function optionsOf(words: readonly string[]): ExplainOptions | undefined {
  const options: Record<string, string | string[]> = {}
  const correction: string[] = []
  for (let i = 0; i < words.length; i += 2) {
    const value = words[i + 1]
    if (value === undefined) return undefined
    if (words[i] === '--correction') correction.push(value)
    else if (Object.hasOwn(known, words[i])) options[known[words[i]]] = value
    else return undefined
  }
  return { ...options, ...(correction.length > 0 ? { correction } : {}) }
}

function text(names: readonly Named[], differing: readonly Differs[]): string[] {
  const numbers = names.filter(({ number }) => number !== undefined).length
  const counted = `${names.length} figures named, ${numbers} with a number`
  if (differing.length === 0) return [`${counted}: each comes out again from the records.`]
  const shown = differing
    .slice(0, mostShown)
    .map(({ line, name, printed, words }) =>
      folded(
        `  line ${line}, ${name}: ${printed === undefined ? '' : `${printed} is printed; `}${words}`,
        textWidth,
        4,
      ),
    )
  const more = differing.length - shown.length
  return [
    `${counted}: ${differing.length} do NOT come out again:`,
    ...shown,
    ...(more > 0 ? [`  and ${more} more`] : []),
  ]
}

const json = (names: readonly Named[], differing: readonly Differs[]): string =>
  JSON.stringify(
    { v: 1, named: names.length, same: names.length - differing.length, differing },
    undefined,
    2,
  )
