import { readFileSync, statSync } from 'node:fs'
import { bad, good, type Outcome } from '../terms/terms.js'

/** No text that people write for this program is larger; what is, is another file. */
const largestBytes = 1024 * 1024

const words: Readonly<Record<string, string>> = {
  ENOENT: 'no such file',
  EACCES: 'no permission to read it',
  EISDIR: 'is a folder',
  ENOTDIR: 'a part of this path is no folder',
}

const sizeWords = (bytes: number): string =>
  bytes === largestBytes ? 'a megabyte' : `${bytes >> 20} megabytes`

/** A text file that a person wrote, whole. Never waits (a pipe is refused) and never fills the memory. Fault: settings-missing. */
export function readTextFile(file: string, mostBytes = largestBytes): Outcome<string> {
  const refused = (why: string) => bad('settings-missing', `${file} (${why})`)
  try {
    const stat = statSync(file)
    if (stat.isDirectory()) return refused(words.EISDIR)
    if (!stat.isFile()) return refused('is no ordinary file')
    if (stat.size > mostBytes) return refused(`is larger than ${sizeWords(mostBytes)}: is it another file?`)
    return good(readFileSync(file, 'utf8'))
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    return refused(words[code ?? ''] ?? code ?? 'cannot be read')
  }
}
