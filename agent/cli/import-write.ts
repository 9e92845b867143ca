/** Where an import goes: a name of its own in the folder that was named. */
import { mkdirSync } from 'node:fs'
import { basename } from 'node:path'
import { wrongUse, type Opened } from './desk.js'
import type { ImportOptions } from './import-plan.js'
import { Sink } from './sink.js'

const nameShape = /^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$/

/** As typed, or that of the log without its endings. */
export function nameFor(file: string, options: Pick<ImportOptions, 'name'>): Opened<string> {
  const plainName = basename(file).replace(/(\.(csv|txt|tsv|log|dat|gz))+$/i, '')
  const name = options.name ?? plainName.replace(/[^A-Za-z0-9._-]+/g, '-')
  if (nameShape.test(name)) return { ok: true, value: name }
  return wrongUse(`--name ${name}: letters, digits, '.', '_' and '-', at most 64`)
}

export async function writeInto(
  folder: string,
  to: string,
  lines: Iterable<string>,
  force: boolean,
): Promise<Opened<void>> {
  try {
    mkdirSync(folder, { recursive: true })
  } catch (error) {
    return { ok: false, code: 1, words: `${folder} cannot be made: ${(error as Error).message}` }
  }
  const sink = await Sink.open(to, force)
  if (!sink.ok) return sink
  let row = 0
  for (const line of lines) {
    sink.value.write(line)
    if (++row % 10_000 === 0) await sink.value.drained()
  }
  const wrong = await sink.value.end()
  if (wrong !== undefined) return { ok: false, code: 1, words: `${to} could not be written: ${wrong}` }
  return { ok: true, value: undefined }
}
