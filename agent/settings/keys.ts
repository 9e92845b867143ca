import type { z } from 'zod'
import { pathText, type KeyPath, type Verdict } from './fault.js'
import { judge } from './judge.js'
import { keysAt, leafAt, schemaAt } from './leaves.js'
import { atKey, atValue, valueAt, type Finding } from './look.js'
import { settingsSchema } from './schema.js'
import { nearest } from './suggest.js'

/** Turns what zod found, key by key, into findings in plain words. zod's own words are not used. */

type Issue = z.core.$ZodIssue

export function schemaFindings(root: unknown, schema: z.ZodType = settingsSchema): Finding[] {
  const parsed = schema.safeParse(root)
  if (parsed.success) return []
  return parsed.error.issues.flatMap((issue) => findingsOf(schema, root, issue, []))
}

function findingsOf(schema: z.ZodType, root: unknown, issue: Issue, before: KeyPath): Finding[] {
  const path = [...before, ...(issue.path as (string | number)[])]
  if (issue.code === 'unrecognized_keys')
    return issue.keys.map((key) => atKey([...path, key], unknownKey(schema, path, key)))
  const value = valueAt(root, path)
  const leaf = leafAt(schema, path)
  const long = leaf?.kind === 'either' && typeof value === 'object' && value !== null && !Array.isArray(value)
  if (issue.code === 'invalid_union' && long)
    return (issue.errors[issue.errors.length - 1] ?? []).flatMap((inner) =>
      findingsOf(schema, root, inner, path),
    )
  const verdict: Verdict = leaf ? judge(value, leaf) : { code: 'wrong-text', wrong: 'does not fit' }
  if (value === undefined) return [{ ...atKey(path, verdict), wants: [String(path[path.length - 1])] }]
  return [atValue(path, verdict)]
}

const secretKeys = /^(pass(word|wd|phrase)?|pwd|secret|token|api_?key)$/i

/** The key beside it that names a file, where there is one. */
function adviceFor(schema: z.ZodType, parent: KeyPath): string {
  const beside = keysAt(schema, parent).find((key) => /(password|secret|pin)_file$/.test(key))
  if (beside === undefined) return 'leave it out: nothing here asks for one'
  const key = [...parent, beside].join('.')
  return `put it alone into a file that only the agent may read, and name that file: ${key}`
}

function unknownKey(schema: z.ZodType, parent: KeyPath, key: string): Verdict {
  if (secretKeys.test(key))
    return {
      code: 'secret',
      wrong: 'a password is never written into the settings, which are shown, copied and sent',
      advice: adviceFor(schema, parent),
    }
  const known = keysAt(schema, parent)
  return {
    code: 'unknown-key',
    wrong: 'unknown key',
    advice: `allowed here: ${known.join(', ')}`,
    didYouMean: nearest(key, known) ?? elsewhere(schema, key),
  }
}

/** A key that is right but stands in the wrong group: 'uplink.keepalive_s'. */
function elsewhere(schema: z.ZodType, key: string): string | undefined {
  for (const name of keysAt(schema, [])) {
    const list = schemaAt(schema, [name])?.type === 'array'
    if (keysAt(schema, list ? [name, 0] : [name]).includes(key)) return `${name}${list ? '[…]' : ''}.${key}`
  }
  return undefined
}

/**
 * A misspelt key leaves its right name missing; that is one fault, not two. The same path and kind is told once.
 */
export function withoutEchoes(findings: readonly Finding[]): Finding[] {
  const meant = new Set<string>()
  for (const { path, verdict } of findings)
    if (verdict.code === 'unknown-key' && verdict.didYouMean)
      meant.add(pathText([...path.slice(0, -1), verdict.didYouMean]))
  const told = new Set<string>()
  return findings.filter(({ path, verdict, wants }) => {
    if (wants?.some((key) => meant.has(pathText([...path.slice(0, -1), key])))) return false
    const mark = `${pathText(path)} ${verdict.code}`
    return !told.has(mark) && told.add(mark)
  })
}
