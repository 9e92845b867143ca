import { spawnSync } from 'node:child_process'
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'

const root = join(import.meta.dirname, '../..')
const textOf = (unit: string): string => readFileSync(join(root, 'systemd', unit), 'utf8')
const keysOf = (text: string): string[] => text.split('\n').filter((line) => /^[A-Z]\w+=/.test(line))
const valueOf = (text: string, key: string): string | undefined =>
  new RegExp(`^${key}=(.*)$`, 'm').exec(text)?.[1]

const station = textOf('motepost.service')
const collector = textOf('motepost-collect.service')

describe('the units of the service manager', () => {
  it.each([
    ['motepost.service', station],
    ['motepost-collect.service', collector],
  ])('%s never gives up, and has a user and a folder of its own', (unit, text) => {
    expect(valueOf(text, 'Restart')).toBe('always')
    expect(Number(valueOf(text, 'RestartSec'))).toBeGreaterThanOrEqual(10)
    expect(valueOf(text, 'StartLimitIntervalSec')).toBe('0')
    expect(valueOf(text, 'User')).toBe('motepost')
    expect(valueOf(text, 'StateDirectory')).toBe(unit.replace('.service', ''))
  })

  it('hold the collector in the same bounds as the station, without its serial ports', () => {
    const hardening = keysOf(station.slice(station.indexOf('NoNewPrivileges=')))
    const bounds = hardening.filter((line) => !/^(DeviceAllow|UMask|WantedBy)=/.test(line))
    expect(bounds.length).toBeGreaterThan(14)
    expect(keysOf(collector)).toEqual(expect.arrayContaining(bounds))
    expect(keysOf(collector).filter((line) => line.startsWith('DeviceAllow='))).toEqual([])
    // Nobody but the user and its group reads what stations sent.
    expect(valueOf(collector, 'UMask')).toBe('0027')
    expect(valueOf(collector, 'StateDirectoryMode')).toBe('0750')
  })

  it('start commands and options that there are', () => {
    const commands = readFileSync(join(root, 'agent/cli/main.ts'), 'utf8')
    for (const text of [station, collector]) {
      const [, command, option] = /main\.js (\w+) (--\w+) \/etc\/motepost\//.exec(
        valueOf(text, 'ExecStart')!,
      )!
      expect(commands).toContain(`.command('${command}`)
      expect(option).toBe('--settings')
    }
  })

  it.skipIf(!existsSync('/usr/bin/systemd-analyze')).each(['motepost.service', 'motepost-collect.service'])(
    '%s has no key that the service manager does not know',
    (unit) => {
      const { stdout, stderr } = spawnSync('systemd-analyze', ['verify', join(root, 'systemd', unit)], {
        encoding: 'utf8',
      })
      expect(`${stdout}${stderr}`).not.toMatch(new RegExp(`${unit}:\\d+:`))
    },
  )
})
