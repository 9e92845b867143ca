/** What the two files of our own that `import` writes, series and events, have in common. */
import { closeSync, openSync, readFileSync, readSync, statSync } from 'node:fs'
import { wrongUse, type Opened } from './desk.js'

/** Whether a path is a file that begins with this heading, rather than a folder or anything else. */
export function fileBeginsWith(file: string, heading: string): boolean {
  try {
    if (!statSync(file).isFile()) return false
    const handle = openSync(file, 'r')
    const bytes = Buffer.alloc(heading.length)
    readSync(handle, bytes, 0, bytes.length, 0)
    closeSync(handle)
    return bytes.toString('latin1') === heading
  } catch {
    return false
  }
}

/** The lines of a file, whatever their ends; fails with words where it is too large to be one of ours. */
export function linesOfFile(file: string, largestBytes: number): Opened<string[]> {
  if (statSync(file).size > largestBytes) return wrongUse(`${file} is larger than ${largestBytes} bytes`)
  const lines = readFileSync(file, 'utf8').split(/\r?\n/)
  if (lines[lines.length - 1] === '') lines.pop()
  return { ok: true, value: lines }
}

/** Minutes ahead of UTC at the end of a time such as 2026-03-01T08:00:00+01:00; 0 where it has none. */
export function offsetMinutesOf(time: string): number {
  const m = /([+-])(\d\d):(\d\d)$/.exec(time)
  return m ? (m[1] === '-' ? -1 : 1) * (Number(m[2]) * 60 + Number(m[3])) : 0
}

/** Lines that were not taken, by reason, with the numbers of the first few. */
export class RefusedLines<Reason extends string> extends Map<
  Reason,
  { lines: number; readonly first: number[] }
> {
  refuse(reason: Reason, line: number, firstFew: number): void {
    const refused = this.get(reason) ?? { lines: 0, first: [] }
    refused.lines++
    if (refused.first.length < firstFew) refused.first.push(line)
    this.set(reason, refused)
  }

  byReason(): Record<string, number> {
    return Object.fromEntries([...this].map(([reason, { lines }]) => [reason, lines]))
  }
}
