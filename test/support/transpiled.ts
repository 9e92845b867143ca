import { mkdirSync, readdirSync, readFileSync, symlinkSync, writeFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import ts from 'typescript'

const root = join(import.meta.dirname, '../..')

/**
 * Sources of the program as plain JavaScript in a folder, so that a test can run them in a process of its own without a build.
 * @param parts folders of agent/, or single files of them
 */
export function transpiled(into: string, parts: readonly string[]): string {
  const sources = parts.flatMap((part) =>
    part.endsWith('.ts') ? [part] : readdirSync(join(root, 'agent', part)).map((name) => join(part, name)),
  )
  const compilerOptions = { module: ts.ModuleKind.ESNext, target: ts.ScriptTarget.ES2022 }
  for (const name of sources.filter((source) => source.endsWith('.ts'))) {
    const target = join(into, name.replace(/\.ts$/, '.js'))
    mkdirSync(dirname(target), { recursive: true })
    const source = readFileSync(join(root, 'agent', name), 'utf8')
    writeFileSync(target, ts.transpileModule(source, { compilerOptions }).outputText)
  }
  writeFileSync(join(into, 'package.json'), '{"type":"module"}')
  symlinkSync(join(root, 'node_modules'), join(into, 'node_modules'))
  return into
}
