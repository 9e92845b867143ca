/** What comes with the program from others: how much, under which licences, and whether the package is the same each time. */
import { execFileSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { cpSync, existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, utimesSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { faultCatalogue } from '../../agent/terms/terms.js'

const root = join(import.meta.dirname, '../..')
const json = <T>(name: string): T => JSON.parse(readFileSync(join(root, name), 'utf8')) as T

interface Manifest {
  readonly dependencies: Readonly<Record<string, string>>
  readonly devDependencies: Readonly<Record<string, string>>
  readonly peerDependencies: Readonly<Record<string, string>>
  readonly peerDependenciesMeta: Readonly<Record<string, { readonly optional?: boolean }>>
  readonly files: readonly string[]
}
interface Locked {
  readonly version?: string
  readonly resolved?: string
  readonly integrity?: string
  readonly license?: string
  readonly dev?: boolean
  readonly devOptional?: boolean
  readonly hasInstallScript?: boolean
}
const manifest = json<Manifest>('package.json')
const { packages } = json<{ packages: Record<string, Locked> }>('package-lock.json')
const locked = Object.entries(packages).filter(([path]) => path !== '')
const atRunTime = locked.filter(([, { dev, devOptional }]) => !dev && !devOptional)

/** SPDX names. All let the program be given away under its own licence with their notices. */
const allowed = ['MIT', 'MIT-0', 'ISC', '0BSD', 'BSD-2-Clause', 'BSD-3-Clause', 'Apache-2.0', 'BlueOak-1.0.0']
/** Weak copyleft on its own files: a tool may have it, what we ship may not. */
const allowedForTools = [...allowed, 'MPL-2.0', 'CC-BY-4.0', 'CC0-1.0', 'Python-2.0']

/** Those whose package.json has no SPDX word; their own licence files say it. */
const byTheirFile: Readonly<Record<string, { license: string; words: string }>> = {
  'node_modules/jstat': { license: 'MIT', words: 'Permission is hereby granted, free of charge' },
  'node_modules/suncalc': {
    license: 'BSD-2-Clause',
    words: 'Redistribution and use in source and binary forms',
  },
}

const notIn = (list: readonly string[], of: typeof locked): string[] =>
  of.flatMap(([path, { license = byTheirFile[path]?.license }]) =>
    license !== undefined && list.includes(license) ? [] : [`${path}: ${license ?? 'says nothing'}`],
  )

describe('what comes from others', () => {
  it('is at most twelve packages that the program asks for itself, each in one exact version', () => {
    const direct = Object.entries(manifest.dependencies)
    console.info(
      `${direct.length} direct run-time dependencies, ${atRunTime.length} with what they bring along`,
    )
    expect(direct.length).toBeLessThanOrEqual(12)
    const all = [...direct, ...Object.entries(manifest.devDependencies)]
    expect(all.filter(([, version]) => !/^\d+\.\d+\.\d+$/.test(version))).toEqual([])
    const drifted = all.filter(([name, version]) => packages[`node_modules/${name}`]?.version !== version)
    expect(drifted).toEqual([])
  })

  it('leaves to the user what only some want, and names the versions it is tested with', () => {
    const beside = Object.entries(manifest.peerDependencies)
    expect(beside.filter(([name]) => !manifest.peerDependenciesMeta[name]?.optional)).toEqual([])
    expect(beside.filter(([name, version]) => manifest.devDependencies[name] !== version)).toEqual([])
    const install = beside.map(([name, version]) => `${name}@${version}`).join(' ')
    expect(faultCatalogue['sql-package-missing'].firstThing).toContain(`npm install ${install} `)
  })

  it('is locked by its hash, whatever registry or cache it comes from', () => {
    expect(locked.length).toBeGreaterThan(100)
    const loose = locked.filter(
      ([, { resolved = 'https:', integrity = '' }]) =>
        !resolved.startsWith('https:') || !integrity.startsWith('sha512-'),
    )
    expect(loose.map(([path]) => path)).toEqual([])
  })

  it('is under licences that let the program be given away', () => {
    expect(notIn(allowed, atRunTime)).toEqual([])
    expect(notIn(allowedForTools, locked)).toEqual([])
    for (const [path, { words }] of Object.entries(byTheirFile))
      expect(readFileSync(join(root, path, 'LICENSE'), 'utf8')).toContain(words)
    expect(notIn(allowed, [['x', { license: 'GPL-3.0' }]])).toEqual(['x: GPL-3.0'])
  })

  it('needs no script of its own at the installation: all native parts come built', () => {
    const withScript = atRunTime.filter(([, { hasInstallScript }]) => hasInstallScript).map(([path]) => path)
    for (const path of withScript)
      expect(
        readdirSync(join(root, path, 'prebuilds')).filter((name) => name.startsWith('linux-')),
      ).not.toEqual([])
  })

  it('can be listed: the bill of materials names every package at run time with licence and hash', () => {
    const text = execFileSync('npm', ['run', '--silent', 'sbom'], {
      cwd: root,
      encoding: 'utf8',
      maxBuffer: 1e8,
    })
    const { bomFormat, components } = JSON.parse(text) as {
      bomFormat: string
      components: { name: string; version: string; licenses?: unknown[]; hashes?: unknown[] }[]
    }
    expect(bomFormat).toBe('CycloneDX')
    const named = new Set(components.map(({ name, version }) => `${name}@${version}`))
    for (const [name, version] of Object.entries(manifest.dependencies))
      expect(named).toContain(`${name}@${version}`)
    expect(components.length).toBe(
      new Set(atRunTime.map(([path, { version }]) => `${path.split('node_modules/').pop()}@${version}`)).size,
    )
    const bare = components.filter(({ licenses, hashes }) => !licenses?.length || !hashes?.length)
    expect(bare.map(({ name }) => name)).toEqual([])
  })
})

describe('the package', () => {
  const base = mkdtempSync(join(tmpdir(), 'motepost-pack-'))
  afterAll(() => rmSync(base, { recursive: true }))

  /** The files of the package in a folder of its own, last changed at one time. */
  function copyOf(name: string, from: string, changedAt: Date): string {
    const to = join(base, name)
    for (const part of ['package.json', ...manifest.files])
      if (existsSync(join(from, part))) cpSync(join(from, part), join(to, part), { recursive: true })
    for (const file of readdirSync(to, { recursive: true, encoding: 'utf8' }))
      utimesSync(join(to, file), changedAt, changedAt)
    return to
  }

  function packed(folder: string): { hash: string; files: number } {
    const args = ['pack', '--ignore-scripts', '--json', '--pack-destination', base]
    const answer = JSON.parse(execFileSync('npm', args, { cwd: folder, encoding: 'utf8' })) as
      { filename: string; files: unknown[] }[] | Record<string, { filename: string; files: unknown[] }>
    const [{ filename, files }] = Object.values(answer)
    const bytes = readFileSync(join(base, filename))
    rmSync(join(base, filename))
    return { hash: createHash('sha256').update(bytes).digest('hex'), files: files.length }
  }

  it('has the same bytes wherever and whenever it is packed', () => {
    const one = copyOf('one', root, new Date('2026-01-01T00:00:00Z'))
    const other = copyOf('other', one, new Date('2027-07-07T07:07:07Z'))
    const [first, second] = [packed(one), packed(other)]
    console.info(`package: ${first.files} files, SHA-256 ${first.hash}`)
    expect(second).toEqual(first)
    expect(first.files).toBeGreaterThan(10)
  })
})
