import { readdirSync } from 'node:fs'
import { isAbsolute, join, resolve } from 'node:path'
import { parse } from 'yaml'
import { readLayout, type Layout } from '../instruments/instruments.js'
import { bad, good, type Outcome } from '../terms/terms.js'
import { unreadableYaml } from '../settings/settings.js'
import { packageRoot } from './package-root.js'
import { readTextFile } from './read-text.js'

const layoutFolder = join(packageRoot, 'config/instruments')

/** The file that a layout of this name, or at this path, stands in. */
export const layoutFile = (nameOrPath: string): string =>
  nameOrPath.endsWith('.yaml') ? resolve(nameOrPath) : join(layoutFolder, `${nameOrPath}.yaml`)

/** Reads a layout by its name in config/instruments, or by a path that ends in .yaml. */
export function loadLayout(nameOrPath: string): Outcome<Layout> {
  const file = layoutFile(nameOrPath)
  const text = readTextFile(file)
  if (!text.ok) return bad('layout-invalid', text.fault.detail)
  const refused = unreadableYaml(text.value)
  if (refused !== undefined) return bad('layout-invalid', `${file}:${refused}`)
  let value: unknown
  try {
    value = parse(text.value, { maxAliasCount: 0 })
  } catch (error) {
    return bad('layout-invalid', `${file}: ${(error as Error).message.split('\n')[0]}`)
  }
  const read = readLayout(value)
  if (read.ok) return good(read.layout)
  return bad(
    'layout-invalid',
    read.faults.map((fault) => `${file}: ${fault.path}: ${fault.words}`).join('; '),
  )
}

/** Every layout that comes with the program. */
export function knownLayouts(): Layout[] {
  return readdirSync(layoutFolder)
    .filter((name) => name.endsWith('.yaml') && !isAbsolute(name))
    .sort()
    .flatMap((name) => {
      const layout = loadLayout(name.slice(0, -'.yaml'.length))
      return layout.ok ? [layout.value] : []
    })
}
