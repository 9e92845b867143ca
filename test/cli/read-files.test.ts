/** Files that a person wrote, as they come: in another encoding, too large, no file at all, or made to do harm. */
import { spawnSync } from 'node:child_process'
import { mkdtempSync, readFileSync, rmSync, truncateSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { loadLayout } from '../../agent/cli/layouts.js'
import { prepare } from '../../agent/cli/preparation.js'
import { readSettingsFile } from '../../agent/cli/read-settings.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-files-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))
const root = join(import.meta.dirname, '../..')

let files = 0
function put(content: string | Uint8Array): string {
  const file = join(folder, `file-${files++}.yaml`)
  writeFileSync(file, content)
  return file
}

const minimal = readFileSync(join(root, 'config/minimal.yaml'), 'utf8')
const utf16 = (text: string): Buffer => Buffer.from('\ufeff' + text, 'utf16le')
function pipe(): string {
  const file = join(folder, `pipe-${files++}.yaml`)
  spawnSync('mkfifo', [file])
  return file
}
function huge(): string {
  const file = put('x')
  truncateSync(file, 3_000_000_000)
  return file
}
const linesOf = (file: string): string => {
  const read = readSettingsFile(file)
  return read.ok ? 'well' : read.lines.join('\n')
}

describe('a settings file', () => {
  it.each([
    ['with a byte order mark', '\ufeff' + minimal],
    ['with the line ends of another system', minimal.replaceAll('\n', '\r\n')],
    ['with both', '\ufeff' + minimal.replaceAll('\n', '\r\n')],
  ])('%s is read as it is meant', (_, text) => {
    expect(linesOf(put(text))).toBe('well')
  })

  it.each<[string, () => string, RegExp]>([
    ['in UTF-16', () => put(utf16(minimal)), /:1:1: the file is not plain text; save it as UTF-8/],
    ['in UTF-16 of the other order', () => put(utf16(minimal).swap16()), /:1:1: the file is not plain text/],
    [
      'with one character of an older encoding',
      () => put(Buffer.from(minimal.replace('north-fence', 'nörd'), 'latin1')),
      /:4:10: a character here is not written in UTF-8/,
    ],
    ['of gigabytes', huge, /larger than a megabyte/],
    ['over 256 kB', () => put(minimal + '#'.repeat(300_000)), /larger than 256 kB/],
    ['that is a pipe', pipe, /is no ordinary file/],
    ['that is a folder', () => folder, /is a folder/],
    ['that is not there', () => join(folder, 'nothing.yaml'), /no such file/],
  ])('%s is refused in plain words', (_, file, words) => {
    const path = file()
    expect(linesOf(path)).toMatch(words)
    expect(linesOf(path)).toContain(path)
  })

  it('is refused with the fault settings-missing as its words where nothing can be read, and nothing is prepared', () => {
    const { plan, wrong } = prepare(join(folder, 'nothing.yaml'))
    expect(plan).toBeUndefined()
    expect(wrong[0]).toContain('the settings file cannot be read')
  })
})

describe('a layout file of a user', () => {
  const shipped = readFileSync(join(root, 'config/instruments/frames-424d-32.yaml'), 'utf8')
  const detailOf = (file: string): string => {
    const read = loadLayout(file)
    return read.ok ? 'well' : `${read.fault.code} ${read.fault.detail}`
  }

  it('is read from its path', () => {
    expect(detailOf(put(shipped))).toBe('well')
  })

  it.each<[string, () => string, RegExp]>([
    ['of brackets without end', () => put('['.repeat(100_000)), /:1:17: this is nested too deeply/],
    ['of thousands of parts', () => put('a: 1\n'.repeat(30_000)), /too many parts/],
    [
      'of aliases that stand for gigabytes',
      () =>
        put(
          'a: &a [x, x]\n' +
            [...'bcdefgh'].map((c, i) => `${c}: &${c} [*${'abcdefgh'[i]}, *${'abcdefgh'[i]}]\n`).join(''),
        ),
      /alias/i,
    ],
    ['with a key given twice', () => put(shipped + 'baud: 9600\n'), /unique|twice/i],
    ['in UTF-16', () => put(utf16(shipped)), /not plain text/],
    ['of gigabytes', huge, /larger than a megabyte/],
    ['that is a pipe', pipe, /is no ordinary file/],
    ['that is empty', () => put(''), /is empty/],
    ['with a word that is none', () => put(shipped.replace('type: u16be', 'type: u17be')), /fields/],
    ['that is not there', () => join(folder, 'no.yaml'), /no such file/],
  ])('%s is refused in plain words, without hanging', (_, file, words) => {
    const path = file()
    expect(detailOf(path)).toMatch(/^layout-invalid /)
    expect(detailOf(path)).toMatch(words)
    expect(detailOf(path)).toContain(path)
  })
})
