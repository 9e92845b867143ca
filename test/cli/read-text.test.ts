import { execFileSync } from 'node:child_process'
import { mkdtempSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { readTextFile } from '../../agent/cli/read-text.js'

describe('a text file of the settings', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-text-'))

  it('is read whole', () => {
    writeFileSync(join(folder, 'some.yaml'), 'version: 1\n')
    expect(readTextFile(join(folder, 'some.yaml'))).toEqual({ ok: true, value: 'version: 1\n' })
  })

  it('is missing in words where it is not there, a folder, or a pipe that would never end', () => {
    execFileSync('mkfifo', [join(folder, 'pipe')])
    const words = ['nothing', '.', 'pipe'].map((name) => {
      const read = readTextFile(join(folder, name))
      if (read.ok) return 'read'
      expect(read.fault.code).toBe('settings-missing')
      return /\((.*)\)$/.exec(read.fault.detail)?.[1]
    })
    expect(words).toEqual(['no such file', 'is a folder', 'is no ordinary file'])
  })
})
