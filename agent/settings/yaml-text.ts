import {
  isAlias,
  isMap,
  isScalar,
  isSeq,
  LineCounter,
  parseDocument,
  visit,
  type Document,
  type Node,
  type Pair,
  type YAMLError,
  type YAMLMap,
} from 'yaml'
import type { KeyPath, Verdict } from './fault.js'
import { refuseUnread, top, type Place, type Problem } from './yaml-guard.js'

/**
 * Text to plain values with a place for each. YAML 1.2, core schema: `no` and `yes` are texts, not switches. Refused
 * before the parser sees them: files that are too large, too deep or have too many parts (the parser recurses, and its
 * time grows faster than the text); refused after it: anchors, aliases, tags and second documents.
 */

/** Longer than any text that passes, so that what is cut off is refused as it would have been whole. */
const longestRead = 400

export interface YamlText {
  /** Maps as objects without prototype; undefined when the text cannot be read. */
  readonly value: unknown
  readonly problems: readonly Problem[]
  /** Where a key stands, or its value; for a path that does not exist: where its parent's key stands. */
  place(path: KeyPath, which: 'key' | 'value'): Place
}

const unreadable = (...problems: Problem[]): YamlText => ({ value: undefined, problems, place: () => top })

/** @param textKeys keys whose unquoted numbers are texts as they are written. */
export function readYaml(text: string, textKeys: readonly string[]): YamlText {
  const refused = refuseUnread(text)
  if (refused) return unreadable(refused)
  const lines = new LineCounter()
  const document = parseDocument(text, {
    lineCounter: lines,
    prettyErrors: false,
    uniqueKeys: false,
    version: '1.2',
    schema: 'core',
  })
  const at = (offset: number): Place => {
    const { line, col } = lines.linePos(offset)
    return { line: Math.max(1, line), column: Math.max(1, col) }
  }
  const tabs = tabProblems(text)
  const syntax = tabs.length > 0 ? tabs : syntaxProblems(text, document, at)
  if (syntax.length > 0) return unreadable(...syntax)
  const reader = new Reader(textKeys, at)
  reader.forbid(document)
  const value = reader.read(document.contents, [])
  return {
    value: reader.problems.some((problem) => problem.code === 'alias') ? undefined : value,
    problems: reader.problems,
    place: (path, which) => at(offsetOf(document, path, which)),
  }
}

function tabProblems(text: string): Problem[] {
  const problems: Problem[] = []
  text.split('\n').forEach((line, i) => {
    const column = /^ *\t/.test(line) && /^\s*[^\s#]/.test(line) ? line.indexOf('\t') + 1 : 0
    if (column > 0)
      problems.push({
        code: 'tab',
        wrong: 'a tab stands where spaces belong',
        advice: 'indent with spaces',
        place: { line: i + 1, column },
        path: [],
      })
  })
  return problems
}

/** Further ones are echoes of the first. */
const mostSyntaxErrors = 50

function syntaxProblems(text: string, document: Document.Parsed, at: (offset: number) => Place): Problem[] {
  const errors = [...document.errors, ...document.warnings].slice(0, mostSyntaxErrors)
  const byLine = new Map<number, Problem>()
  for (const error of errors) {
    const twoLines = errors.find(
      (other) => other.code === 'MULTILINE_IMPLICIT_KEY' && other.pos[0] === error.pos[0],
    )
    const [offset, words] = twoLines
      ? acrossLines(twoLines, text)
      : [isOpenQuote(error.message) ? openedAt(error, document) : error.pos[0], syntaxWords(error)]
    const place = at(offset)
    // One fault of the hand makes the parser stumble several times in the same line.
    if (!byLine.has(place.line)) byLine.set(place.line, { ...words, place, path: [] })
  }
  return [...byLine.values()]
}

/** Two lines that run into one key: the first lacks its colon, or the second is indented too far. */
function acrossLines({ pos: [from, to] }: YAMLError, text: string): [number, Verdict] {
  const next = text.lastIndexOf('\n', to - 1) + 1
  const indent = Math.max(0, text.slice(next).search(/\S/))
  const before = from - (text.lastIndexOf('\n', from - 1) + 1)
  return before === indent ? [from, noColon] : [next + indent, oddColumn]
}

/** Where the quote began whose end the parser missed at the end of the file. */
function openedAt({ pos: [missed] }: YAMLError, document: Document.Parsed): number {
  let opened = missed
  visit(document, {
    Scalar(_, { range, type }) {
      if (range && type?.startsWith('QUOTE') && range[0] < missed && range[1] >= missed) opened = range[0]
    },
  })
  return opened
}

const isOpenQuote = (message: string): boolean => /closing .*quote/i.test(message)

const syntax = (wrong: string, advice: string): Verdict => ({ code: 'syntax', wrong, advice })

const noColon = syntax('a key stands here without a colon', 'write key: value, with a space after the colon')
const oddColumn = syntax(
  'this line does not belong under the one above',
  'start all keys of a group in the same column, and end the name of a group with a colon',
)

const openFlow = syntax('a [ or { opened before this is not closed, or a comma is missing', 'close it')
const wordsByCode: Readonly<Record<string, Verdict>> = {
  MISSING_CHAR: noColon,
  TAB_AS_INDENT: { code: 'tab', wrong: 'a tab stands where spaces belong', advice: 'use spaces' },
  BAD_INDENT: syntax(
    'this line is indented unlike its neighbours',
    'start all keys of a group in the same column',
  ),
  BLOCK_AS_IMPLICIT_KEY: syntax(
    'a second ": " stands in this line',
    'put a text that holds ": " in quotes, and each key in a line of its own',
  ),
  BAD_SCALAR_START: syntax('a text cannot start with this character', 'put the text in quotes'),
  MULTIPLE_DOCS: syntax('a second document begins here (---)', 'one file, one document'),
  TAG_RESOLVE_FAILED: syntax(
    'a ! at the start of a value has a meaning of its own',
    'put the text in quotes',
  ),
  BAD_DIRECTIVE: syntax('a line cannot start with %', 'take the line away'),
}

function syntaxWords({ code, message }: YAMLError): Verdict {
  if (isOpenQuote(message)) return syntax('a quote is opened and never closed', 'close it, or take it away')
  if (/flow|end with a [\]}]/i.test(message)) return openFlow
  const other = syntax(
    'this line cannot be read',
    'write key: value, and put texts with special characters in quotes',
  )
  return wordsByCode[code] ?? other
}

class Reader {
  readonly problems: Problem[] = []

  constructor(
    private readonly textKeys: readonly string[],
    private readonly at: (offset: number) => Place,
  ) {}

  /** Anchors and aliases: a few lines of them can stand for gigabytes, and nobody needs them here. */
  forbid(document: Document.Parsed): void {
    visit(document, (_, node) => {
      const tagged = (isScalar(node) || isMap(node) || isSeq(node)) && node.anchor !== undefined
      if (!isAlias(node) && !tagged) return
      this.problems.push({
        code: 'alias',
        wrong: 'anchors (&) and aliases (*) are not used in settings',
        advice: 'write the value out; put a text that starts with & or * in quotes',
        place: this.at((node as Node).range?.[0] ?? 0),
        path: [],
      })
    })
  }

  read(node: unknown, path: KeyPath): unknown {
    if (isMap(node)) return this.map(node, path)
    if (isSeq(node)) return node.items.map((item, i) => this.read(item, [...path, i]))
    if (!isScalar(node)) return null
    const key = path[path.length - 1]
    const asWritten = typeof node.value === 'number' && typeof key === 'string' && this.textKeys.includes(key)
    const value: unknown = asWritten ? node.source : node.value
    return typeof value === 'string' ? value.slice(0, longestRead) : value
  }

  private map(node: YAMLMap, path: KeyPath): unknown {
    const map = Object.create(null) as Record<string, unknown>
    for (const pair of node.items) {
      const key = keyOf(pair)
      if (!Object.hasOwn(map, key)) map[key] = this.read(pair.value, [...path, key])
      else
        this.problems.push({
          code: 'duplicate-key',
          wrong: 'this key is given twice',
          advice: 'keep one of them',
          place: this.at(startOf(pair.key) ?? 0),
          path: [...path, key],
        })
    }
    return map
  }
}

const keyOf = (pair: Pair): string => (isScalar(pair.key) ? (pair.key.source ?? String(pair.key.value)) : '?')
const startOf = (node: unknown): number | undefined => (node as Node | null)?.range?.[0]

function offsetOf(document: Document.Parsed, path: KeyPath, which: 'key' | 'value'): number {
  let value: unknown = document.contents
  let key: number | undefined
  for (const step of path) {
    const found = typeof step === 'number' ? itemAt(value, step) : pairAt(value, step)
    if (!found) return key ?? startOf(value) ?? 0
    key = found.key ?? startOf(found.value)
    value = found.value
  }
  const empty = isScalar(value) && value.value === null && !value.source
  return (which === 'value' && !empty ? startOf(value) : undefined) ?? key ?? 0
}

function pairAt(node: unknown, key: string): { key?: number; value: unknown } | undefined {
  const pair = isMap(node) ? node.items.find((item) => keyOf(item) === key) : undefined
  return pair && { key: startOf(pair.key), value: pair.value }
}

function itemAt(node: unknown, index: number): { key?: number; value: unknown } | undefined {
  const item = isSeq(node) ? node.items[index] : undefined
  return item === undefined ? undefined : { value: item }
}
