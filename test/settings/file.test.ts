import { describe, expect, test } from 'vitest'
import { base, goodSettings, lines, marks } from './support.js'

describe('a file', () => {
  test.each([
    ['', 'north.yaml:1:1: the file is empty; copy config/minimal.yaml and edit it'],
    [' \n\n', 'north.yaml:1:1: the file is empty; copy config/minimal.yaml and edit it'],
    [
      '# version: 1\n\n  # station:\n',
      'north.yaml:1:1: the file holds only comments; take the # off the lines that are to count',
    ],
    [
      'v\0e\0r\0s\0',
      'north.yaml:1:1: the file is not plain text; save it as UTF-8 (it may be UTF-16, or not a settings file)',
    ],
    [
      base + '#'.repeat(256 * 1024),
      'north.yaml:1:1: the file is larger than 256 kB; a settings file has some hundred lines; is it another file?',
    ],
    ['version:1', 'north.yaml:1:1: "version:1" is one text; write a space after the colon'],
  ])('without settings is told as such: %#', (text, line) => {
    expect(lines(text)).toEqual([line])
  })

  test('may have a byte order mark and lines that end in CR LF, and the places stay right', () => {
    const windows = '\ufeff' + base.replaceAll('\n', '\r\n')
    expect(goodSettings(windows)).toEqual(goodSettings(base))
    expect(marks(windows.replace('north-fence', 'North'))).toEqual(['3:9 station.name wrong-text'])
  })

  test('is YAML 1.2: no is a word', () => {
    expect(goodSettings(base.replace('north-fence', 'no')).station.name).toBe('no')
  })
})

describe('a line that cannot be read', () => {
  test.each([
    ['a tab before a key', base.replace('  name', '\tname'), ['3:1  tab']],
    [
      'tabs in several lines',
      base.replaceAll('    port', '\tport').replace('  folder', '  \tfolder'),
      ['7:1  tab', '9:3  tab'],
    ],
    ['a quote that is not closed', base.replace('north-fence', '"north-fence'), ['3:9  syntax']],
    [
      'a bracket that is not closed',
      base.replace(/instruments:[^]*data/, 'instruments: [\ndata'),
      ['6:1  syntax'],
    ],
    ['a group without a colon', base.replace('data:', 'data'), ['9:3  syntax']],
    ['a key without a colon', base.replace('version: 1', 'version'), ['1:1  syntax']],
    ['a key in an odd column', base.replace('  time_zone', '   time_zone'), ['4:4  syntax']],
    ['two keys in one line', base.replace('version: 1', 'version: 1 station: x'), ['1:10  syntax']],
    ['a text that starts with @', base.replace('north-fence', '@north'), ['3:9  syntax']],
    ['a second document', `${base}---\n${base}`, ['10:1  syntax']],
    ['a tag', base.replace('north-fence', '!secret x'), ['3:9  syntax']],
    ['a directive', `%TAG x\n---\n${base}`, ['1:1  syntax']],
  ])('because of %s is refused at its place', (_, text, expected) => {
    expect(marks(text)).toEqual(expected)
    for (const line of lines(text)) expect(line).not.toContain('\n')
  })

  test('shows nothing of what stands in it', () => {
    expect(lines(`${base}uplink: { password: "hunter2\n`).join()).not.toContain('hunter2')
  })
})

describe('a text made to do harm', () => {
  test('with anchors and aliases is refused before it is multiplied', () => {
    const bomb = ['a: &a [x, x, x, x, x, x, x, x, x]']
    for (const [i, name] of [...'bcdefgh'].entries())
      bomb.push(
        `${name}: &${name} [${Array(9)
          .fill('*' + 'abcdefgh'[i])
          .join(', ')}]`,
      )
    expect(marks(bomb.join('\n'))[0]).toBe('1:7  alias')
    expect(marks(base.replace('north-fence', '*nobody'))).toEqual(['3:9  alias'])
  })

  test.each([
    ['brackets', '['.repeat(200_000), 'too-deep'],
    ['braces', '{a: '.repeat(50_000), 'too-deep'],
    ['brackets, closed in quotes', '["]",'.repeat(40_000), 'too-deep'],
    ['hyphens in a line', '- '.repeat(100_000), 'too-deep'],
    ['question marks in a line', '? '.repeat(100_000), 'too-deep'],
    ['colons in a line', ': '.repeat(100_000), 'too-deep'],
    ['ever deeper lines', Array.from({ length: 600 }, (_, i) => ' '.repeat(i) + 'a:\n').join(''), 'too-deep'],
    ['thousands of keys', Array.from({ length: 20_000 }, (_, i) => `k${i}: 1\n`).join(''), 'too-large'],
    ['thousands of entries', `a: [${'1,'.repeat(120_000)}]`, 'too-large'],
  ])('with %s is refused before the parser sees it', (_, text, code) => {
    expect(marks(text)).toEqual([expect.stringMatching(new RegExp(`  ${code}$`))])
  })

  test('with one endless text is refused as quickly as a short one', () => {
    for (const endless of [
      '1'.repeat(200_000) + 'x',
      '//'.repeat(100_000),
      ' '.repeat(200_000),
      'a.'.repeat(100_000),
    ])
      for (const [right, at] of [
        ['version: 1', '1:10 version'],
        ['name: north-fence', '3:9 station.name'],
        ['port: /dev/sensor', '7:11 instruments[0].port'],
      ])
        expect(marks(base.replace(right, `${right.split(':')[0]}: "${endless}"`))[0]).toContain(at)
  })
})
