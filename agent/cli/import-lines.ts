/** The lines of a text file of any size, gzip or not, UTF-8 or UTF-16, as they come from the disk. */
import { createReadStream, statSync } from 'node:fs'
import { open } from 'node:fs/promises'
import { StringDecoder } from 'node:string_decoder'
import { createGunzip } from 'node:zlib'
import { wrongUse, type Opened } from './desk.js'

/** No row of a log is longer: what is, is refused by its length and never gathered in memory. */
const longestLine = 64 * 1024

export interface LineVisitor {
  line(text: string): void
  tooLong(): void
  /** True: nothing that follows can be of use. */
  isLost(): boolean
  progress(share: number): void
}

/** Gives each line without its end. Fails with words where the file cannot be read to its end. */
export async function eachTextLine(file: string, visit: LineVisitor): Promise<Opened<void>> {
  const size = sizeOf(file)
  if (!size.ok) return size
  try {
    await read(file, size.value, visit)
    return { ok: true, value: undefined }
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException
    if (code === 'EACCES') return { ok: false, code: 1, words: `no permission to read ${file}` }
    const isGzip = code?.startsWith('Z_') === true
    const why = isGzip ? `its gzip is damaged or cut off (${message})` : message
    return { ok: false, code: 1, words: `${file} cannot be read to its end: ${why}; nothing was written` }
  }
}

function sizeOf(file: string): Opened<number> {
  try {
    const stat = statSync(file)
    if (stat.isDirectory()) return wrongUse(`${file} is a folder; name a file in it`)
    if (stat.isFile()) return { ok: true, value: stat.size }
    return wrongUse(`${file} is no ordinary file`)
  } catch {
    return wrongUse(`there is no file ${file}`)
  }
}

async function read(file: string, size: number, visit: LineVisitor): Promise<void> {
  const marks = await firstBytes(file)
  const isGzip = marks[0] === 0x1f && marks[1] === 0x8b
  const source = createReadStream(file)
  const bytes = isGzip ? source.pipe(createGunzip()) : source
  // What stops the source must stop who waits for its bytes.
  source.on('error', (error) => bytes.destroy(error))
  const lines = new LineCutter(visit)
  for await (const chunk of bytes) {
    lines.push(chunk as Buffer)
    visit.progress(size > 0 ? Math.min(0.99, source.bytesRead / size) : 0)
    if (visit.isLost()) break
  }
  source.destroy()
  lines.end()
  visit.progress(1)
}

async function firstBytes(file: string): Promise<Buffer> {
  const handle = await open(file)
  try {
    const { buffer } = await handle.read(Buffer.alloc(2), 0, 2, 0)
    return buffer
  } finally {
    await handle.close()
  }
}

class LineCutter {
  private decoder: StringDecoder | undefined
  private rest = ''
  private skipping = false

  constructor(private readonly visit: LineVisitor) {}

  push(bytes: Buffer): void {
    const isUtf16 = bytes[0] === 0xff && bytes[1] === 0xfe
    const isFirst = this.decoder === undefined
    this.decoder ??= new StringDecoder(isUtf16 ? 'utf16le' : 'utf8')
    const text = this.decoder.write(bytes)
    this.cut(isFirst && text.startsWith('\uFEFF') ? text.slice(1) : text)
  }

  private cut(text: string): void {
    const parts = (this.rest + text).split('\n')
    this.rest = parts.pop()!
    for (const part of parts) this.give(part)
    if (this.rest.length <= longestLine) return
    this.skipping = true
    this.rest = ''
  }

  private give(part: string): void {
    const isLong = this.skipping || part.length > longestLine
    this.skipping = false
    if (isLong) this.visit.tooLong()
    else this.visit.line(part.endsWith('\r') ? part.slice(0, -1) : part)
  }

  end(): void {
    this.cut(this.decoder?.end() ?? '')
    if (this.rest !== '' || this.skipping) this.give(this.rest)
    this.rest = ''
  }
}
