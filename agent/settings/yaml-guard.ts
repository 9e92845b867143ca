import { CST, Lexer } from 'yaml'
import type { KeyPath, Verdict } from './fault.js'

/**
 * What is refused before the YAML parser sees it. The parser recurses (a hundred thousand brackets end the process, not
 * with an exception) and its time grows faster than the text, so size, depth and number of parts are looked at first.
 */

export interface Place {
  readonly line: number
  readonly column: number
}

export interface Problem extends Verdict {
  readonly place: Place
  readonly path: KeyPath
}

const longestFile = 256 * 1024
const mostTokens = 20_000
const deepestFlow = 16
const farthestIndent = 64
const mostIndicatorsALine = 8

export const top: Place = { line: 1, column: 1 }

/** What is wrong with a YAML text so that no parser may see it (too large, too deep, not UTF-8), in words; or undefined. */
export function unreadableYaml(text: string): string | undefined {
  const problem = refuseUnread(text)
  return problem && `${problem.place.line}:${problem.place.column}: ${problem.wrong}`
}

export const refuseUnread = (text: string): Problem | undefined => refuseWhole(text) ?? refuseShape(text)

function refuseWhole(text: string): Problem | undefined {
  const whole = (code: Verdict['code'], wrong: string, advice: string): Problem => ({
    code,
    wrong,
    advice,
    place: top,
    path: [],
  })
  if (text.length > longestFile)
    return whole(
      'too-large',
      'the file is larger than 256 kB',
      'a settings file has some hundred lines; is it another file?',
    )
  if (text.includes('\0'))
    return whole(
      'encoding',
      'the file is not plain text',
      'save it as UTF-8 (it may be UTF-16, or not a settings file)',
    )
  const foreign = text.indexOf('\ufffd')
  if (foreign >= 0) return { ...notUtf8, place: placeAt(text, foreign) }
  if (text.replace(/^\ufeff/, '').trim() === '')
    return whole('empty-file', 'the file is empty', 'copy config/minimal.yaml and edit it')
  if (text.split('\n').every((line) => /^\ufeff?\s*(#.*)?$/.test(line)))
    return whole('empty-file', 'the file holds only comments', 'take the # off the lines that are to count')
  return undefined
}

/** What stands for bytes that are not UTF-8 after decoding; nobody types it. */
const notUtf8 = {
  code: 'encoding',
  wrong: 'a character here is not written in UTF-8',
  advice: 'type it again, and save the file as UTF-8',
  path: [],
} as const

function placeAt(text: string, offset: number): Place {
  const before = text.slice(0, offset).split('\n')
  return { line: before.length, column: before[before.length - 1].length + 1 }
}

interface Token extends Place {
  readonly type: ReturnType<typeof CST.tokenType>
}

function* tokens(text: string): Generator<Token> {
  let [line, column] = [1, 1]
  for (const token of new Lexer().lex(text)) {
    yield { type: CST.tokenType(token), line, column }
    // Three tokens of the lexer are marks of its own that stand for no text.
    if (token === CST.DOCUMENT || token === CST.FLOW_END || token === CST.SCALAR) continue
    const rows = token.split('\n')
    line += rows.length - 1
    column = rows.length > 1 ? rows[rows.length - 1].length + 1 : column + token.length
  }
}

const blanks: readonly unknown[] = [
  'space',
  'newline',
  'comment',
  'scalar',
  'doc-mode',
  'flow-error-end',
  'byte-order-mark',
]
const indicators: readonly unknown[] = ['seq-item-ind', 'explicit-key-ind', 'map-value-ind']

/** Looks at tokens, not at trees: what would make the parser recurse or crawl never reaches it. */
function refuseShape(text: string): Problem | undefined {
  let [flow, onLine, parts] = [0, 0, 0]
  let leading = true
  for (const { type, ...place } of tokens(text)) {
    if (type === 'newline') [leading, onLine] = [true, 0]
    if (type === 'flow-seq-start' || type === 'flow-map-start') flow++
    if (type === 'flow-seq-end' || type === 'flow-map-end') flow = Math.max(0, flow - 1)
    if (type === 'flow-error-end') flow = 0
    if (blanks.includes(type)) continue
    const farIn = leading && flow === 0 && place.column > farthestIndent
    if (flow === 0 && indicators.includes(type)) onLine++
    else leading = false
    if (flow > deepestFlow || onLine > mostIndicatorsALine || farIn) return { ...tooDeep, place }
    if (++parts > mostTokens) return { ...tooMany, place }
  }
  return undefined
}

const tooDeep = {
  code: 'too-deep',
  wrong: 'this is nested too deeply',
  advice: 'settings never are',
  path: [],
} as const
const tooMany = {
  code: 'too-large',
  wrong: 'the file has too many parts',
  advice: 'is it another file?',
  path: [],
} as const
