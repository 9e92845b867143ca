import { readdirSync, readFileSync } from 'node:fs'
import { dirname, join, normalize, relative } from 'node:path'
import { describe, expect, it } from 'vitest'

/**
 * Who may import whom (the table in DEVELOPERS.md). 'front' in the list: only the file of the folder's name.
 * npm: packages a folder may import; node: pure node modules, or all of them where the world is touched.
 */
const rules: Record<
  string,
  { folders: readonly string[] | 'any'; npm: readonly string[] | 'any'; world?: boolean }
> = {
  terms: { folders: [], npm: [] },
  settings: { folders: ['terms', 'delivery'], npm: ['zod', 'yaml'] },
  instruments: { folders: ['terms'], npm: [] },
  screening: { folders: ['terms'], npm: [] },
  minutes: { folders: ['terms'], npm: [] },
  averages: { folders: ['terms'], npm: [] },
  limits: { folders: ['terms', 'averages'], npm: [] },
  alerts: { folders: ['terms'], npm: [] },
  power: { folders: ['terms'], npm: [] },
  clock: { folders: ['terms'], npm: [] },
  health: { folders: ['terms'], npm: [] },
  sitelog: { folders: ['terms'], npm: [] },
  store: { folders: ['terms'], npm: [] },
  delivery: { folders: ['terms'], npm: [] },
  uplink: { folders: ['terms'], npm: ['cborg'] },
  sql: { folders: ['terms', 'store'], npm: [] },
  hardware: {
    folders: ['terms'],
    npm: [
      ...['serialport', 'modbus-serial', 'mqtt', 'lowdb', 'pino', 'node-cron', 'nodemailer'],
      ...['pg', 'pg-copy-streams'],
    ],
    world: true,
  },
  station: {
    folders: [
      'terms',
      'instruments',
      'screening',
      'minutes',
      'averages',
      'alerts',
      'power',
      'clock',
      'health',
      'sitelog',
      'store',
      'uplink',
      'delivery',
    ],
    npm: [],
  },
  analysis: { folders: ['terms', 'averages', 'limits'], npm: [] },
  collector: { folders: ['terms', 'store', 'uplink', 'health', 'alerts', 'delivery'], npm: [] },
  simulation: { folders: ['terms', 'station', 'collector'], npm: ['aedes'], world: false },
  cli: { folders: 'any', npm: 'any', world: true },
}
/** node modules without side effects on the world. */
const pure = ['node:crypto', 'node:zlib']
/** One file of simulation/ opens a real loopback port: the embedded broker. */
const worldlyFiles = ['agent/simulation/embedded-broker.ts']

/** What the commands may take past a front file: who reads limits needs no schema of the settings, half a second of loading. */
const pastTheFront = ['agent/settings/yaml-guard.ts']

const root = join(import.meta.dirname, '../..')
const files = readdirSync(join(root, 'agent'), { recursive: true, encoding: 'utf8' })
  .filter((name) => name.endsWith('.ts'))
  .map((name) => join('agent', name))

function importsOf(file: string): string[] {
  const text = readFileSync(join(root, file), 'utf8')
  const statements = text.matchAll(
    /^(?:import|export)\b[^;'"]*?from '([^']+)'|^import '([^']+)'|\bimport\('([^']+)'\)/gm,
  )
  return [...statements].map((m) => m[1] ?? m[2] ?? m[3])
}

function offence(file: string, from: string): string | undefined {
  const folder = file.split('/')[1]
  const rule = rules[folder]
  if (!rule) return `folder ${folder} is not in the table`
  if (from.startsWith('node:')) {
    const allowed = rule.world || worldlyFiles.includes(file) || pure.includes(from)
    return allowed ? undefined : `${from} touches the world`
  }
  if (!from.startsWith('.')) {
    const name = from.startsWith('@') ? from.split('/').slice(0, 2).join('/') : from.split('/')[0]
    return rule.npm === 'any' || rule.npm.includes(name) ? undefined : `package ${name}`
  }
  const target = normalize(join(dirname(file), from)).replace(/\.js$/, '.ts')
  const targetFolder = target.split('/')[1]
  if (targetFolder === folder) return undefined
  if (rule.folders !== 'any' && !rule.folders.includes(targetFolder)) return `folder ${targetFolder}`
  const isFront = target === `agent/${targetFolder}/${targetFolder}.ts`
  const composition = folder === 'cli' && ['hardware', 'simulation', 'cli'].includes(targetFolder)
  const isApart = folder === 'cli' && pastTheFront.includes(target)
  return isFront || composition || isApart
    ? undefined
    : `${target} is inside ${targetFolder}; import its front file`
}

describe('the import rule', () => {
  it('holds in every file of agent/', () => {
    expect(files.length).toBeGreaterThan(30)
    const offences = files.flatMap((file) =>
      importsOf(file).flatMap((from) => {
        const what = offence(file, from)
        return what ? [`${file} imports ${from}: ${what}`] : []
      }),
    )
    expect(offences).toEqual([])
  })

  it('is able to fail', () => {
    expect(offence('agent/minutes/minutes.ts', '../store/store.js')).toBeDefined()
    expect(offence('agent/minutes/minutes.ts', 'node:fs')).toBeDefined()
    expect(offence('agent/station/station.ts', '../screening/settling.js')).toBeDefined()
    expect(offence('agent/store/store.ts', 'lowdb')).toBeDefined()
    expect(offence('agent/store/store.ts', '../terms/terms.js')).toBeUndefined()
  })

  it('gives every folder a front file whose header says what comes in and goes out', () => {
    for (const folder of new Set(files.map((file) => file.split('/')[1]))) {
      if (['cli', 'hardware', 'simulation'].includes(folder)) continue
      const text = readFileSync(join(root, 'agent', folder, `${folder}.ts`), 'utf8')
      const header = text.slice(0, text.indexOf('*/'))
      expect(header, relative(root, folder)).toMatch(/^\/\*\*\n \* /)
      expect(header, folder).toMatch(/In:/)
      expect(header, folder).toMatch(/Out:/)
    }
  })
})
