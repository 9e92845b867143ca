import { hexBytes, hexText } from './shape.js'

/** What came from a line, kept so that it can be played again. */
export interface Recording {
  readonly header: RecordingHeader
  readonly chunks: readonly RecordedChunk[]
}

export interface RecordingHeader {
  /** Name of the layout that the bytes are believed to have. */
  readonly layout: string
  /** Line settings, '9600 8N1'. */
  readonly line: string
  /** When it began, in UTC, as `utcText` writes it. */
  readonly start: string
  /** What is special about it. */
  readonly special: string
}

export interface RecordedChunk {
  /** Since the start. */
  readonly seconds: number
  readonly bytes: Uint8Array
}

export type RecordingRead =
  | { readonly ok: true; readonly recording: Recording }
  | { readonly ok: false; readonly line: number; readonly words: string }

const headerKeys = ['layout', 'line', 'start', 'special'] as const
const bytesPerLine = 32
const headerShape = /^# (layout|line|start|special): (.+)$/
const chunkShape = /^# \+(\d+(?:\.\d+)?)$/
const bytesShape = /^[0-9A-Fa-f]{2}( [0-9A-Fa-f]{2})*$/

/** The first lines of a recording file: '# key: value'. */
export const recordingHead = (header: RecordingHeader): string =>
  headerKeys.map((key) => `# ${key}: ${header[key].replaceAll(/\s+/g, ' ')}\n`).join('')

/** The lines of one chunk: '# +seconds' and the bytes in hex, 32 a line, so that differences can be read. */
export function recordingChunk(seconds: number, bytes: Uint8Array): string {
  let text = `# +${seconds.toFixed(2)}\n`
  for (let at = 0; at < bytes.length; at += bytesPerLine)
    text += `${hexText(bytes.subarray(at, at + bytesPerLine))}\n`
  return text
}

/**
 * Reads a recording file. All but the bytes stands in lines that begin with '#', so it is a plain hex dump to anything
 * that does not know more; other '#' lines say something to people.
 */
export function readRecording(text: string): RecordingRead {
  const header = new Map<string, string>()
  const chunks: { seconds: number; hex: string }[] = []
  for (const [i, raw] of text.split('\n').entries()) {
    const line = raw.trim()
    const head = headerShape.exec(line)
    if (head) header.set(head[1], head[2])
    else if (!takeLine(line, chunks))
      return { ok: false, line: i + 1, words: "is neither bytes in hex nor a line that begins with '#'" }
  }
  const missing = headerKeys.find((key) => !header.has(key))
  if (missing) return { ok: false, line: 1, words: `'# ${missing}: ...' is missing` }
  return {
    ok: true,
    recording: {
      header: Object.fromEntries(header) as unknown as RecordingHeader,
      chunks: chunks.map(({ seconds, hex }) => ({ seconds, bytes: hexBytes(hex) })),
    },
  }
}

/** Adds one line to the chunks; false where it cannot be read. */
function takeLine(line: string, chunks: { seconds: number; hex: string }[]): boolean {
  const chunk = chunkShape.exec(line)
  if (chunk) chunks.push({ seconds: Number(chunk[1]), hex: '' })
  if (line === '' || line.startsWith('#')) return true
  if (!bytesShape.test(line)) return false
  if (chunks.length === 0) chunks.push({ seconds: 0, hex: '' })
  chunks[chunks.length - 1].hex += line
  return true
}
