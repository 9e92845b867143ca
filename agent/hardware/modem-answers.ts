import type { ErrorFamily } from './modem-errors.js'

/** One command and what its answer looks like. */
export interface Ask {
  /** Without the carriage return. */
  readonly text: string
  readonly limitSeconds: number
  /** How the lines of its answer begin; other lines are news that came between. */
  readonly expects?: string
  /** Typed at the prompt that the command brings, then sent with Ctrl-Z. */
  readonly typed?: Uint8Array
  /** Called when it is, before the first byte: from then on the message may go out. */
  readonly onTyped?: () => void
  /** What follows its first line is a text of others, or the line after each is: no 'OK' in there ends the answer. */
  readonly carriesText?: 'after the first line' | 'after each line'
}

export type Answer =
  | { readonly kind: 'ok'; readonly lines: readonly string[] }
  | {
      readonly kind: 'error'
      readonly family?: ErrorFamily
      readonly number?: number
      readonly said: string
    }
  /** No final result in time, or the line was lost. `typed`: the text had been handed over, so it may go out. */
  | { readonly kind: 'silent'; readonly typed: boolean }
  | { readonly kind: 'gone'; readonly typed: boolean }

/** A text without an end longer than this is noise. */
const longestLine = 4096
const mostLines = 400

/** Makes lines of what comes, and says when a prompt waits. CR, LF and CR LF each end a line (ITU-T V.250). */
export class ModemReader {
  private held = ''
  private endedByReturn = false

  /** The lines that are whole now, empty ones too. */
  take(bytes: Uint8Array): string[] {
    let text = Buffer.from(bytes).toString('latin1')
    if (this.endedByReturn && text.startsWith('\n')) text = text.slice(1)
    this.endedByReturn = text === '' ? this.endedByReturn : text.endsWith('\r')
    const lines = (this.held + text).split(/\r\n|\r|\n/)
    this.held = lines.pop()!.slice(-longestLine)
    return lines
  }

  /** CR LF > SP is the prompt for a text (3GPP TS 27.005, clause 3.5.1); some leave the blank out. */
  get isPrompted(): boolean {
    return /^> ?$/.test(this.held)
  }

  forget(): void {
    this.held = ''
  }
}

const errorShape = /^\+(CME|CMS) ERROR: ?(.*)$/

/** What a modem is woken with: results as words, no echo (V1, E0), which it may have in other ways until then. */
export const wakeWords = 'ATQ0V1E0'

/** The final result that a line is; undefined for any other line. */
export function finalOf(line: string): Answer | undefined {
  if (line === 'OK') return { kind: 'ok', lines: [] }
  if (line === 'ERROR') return { kind: 'error', said: 'ERROR' }
  const m = errorShape.exec(line)
  if (!m) return undefined
  const family = m[1] as ErrorFamily
  return { kind: 'error', family, said: line, ...(/^\d+$/.test(m[2]) ? { number: Number(m[2]) } : {}) }
}

/** The answer to one command, line by line; lines that are no part of it go to `stray`. */
export class AnswerLines {
  private readonly lines: string[] = []
  private isTextNext = false

  constructor(
    private readonly ask: Ask,
    private readonly stray: (line: string) => void,
  ) {}

  /** @returns the whole answer with the line that ends it */
  take(line: string): Answer | undefined {
    const { ask, lines } = this
    const isInText = ask.carriesText === 'after the first line' && lines.length > 0
    if (this.isTextNext) {
      this.isTextNext = false
      return isInText ? this.keep(line) : undefined
    }
    // Until it is woken it may answer in numbers: 0 is OK, 4 is ERROR.
    const final = finalOf(ask.text === wakeWords && line === '0' ? 'OK' : line)
    if (final) return this.ended(final, line)
    if (isInText) return this.keep(line)
    if (line === '' || line === ask.text) return undefined
    if (ask.expects !== undefined && line.startsWith(ask.expects)) {
      this.isTextNext = ask.carriesText !== undefined
      return this.keep(line)
    }
    this.stray(line)
    return undefined
  }

  private keep(line: string): undefined {
    if (this.lines.length < mostLines) this.lines.push(line)
  }

  private ended(final: Answer, line: string): Answer {
    if (final.kind === 'ok') return { kind: 'ok', lines: this.lines }
    // The late result of an earlier message may end another command.
    if (final.kind === 'error' && final.family === 'CMS' && !this.ask.typed) this.stray(line)
    return final
  }
}
