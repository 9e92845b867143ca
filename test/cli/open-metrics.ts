/**
 * The grammar of OpenMetrics 1.0 text as far as it is used here, from memory of its ABNF: metric families in one block each,
 * TYPE before UNIT before HELP before samples, the unit as suffix of the name, '_total' on counters, a stateset's label named
 * as its family, each series once, and '# EOF' with a line end as the end.
 */
import { expect } from 'vitest'

const name = '[a-zA-Z_:][a-zA-Z0-9_:]*'
const labelPair = '[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\\\\n]|\\\\["\\\\n])*"'
const meta = new RegExp(`^# (TYPE|UNIT|HELP) (${name}) (.*)$`)
const sample = new RegExp(
  `^(${name})(?:\\{(${labelPair}(?:,${labelPair})*)?\\})? (-?\\d+(?:\\.\\d+)?(?:e[+-]?\\d+)?|NaN|[+-]Inf)$`,
)
const order = ['TYPE', 'UNIT', 'HELP']

/** @returns the lines of samples */
export function expectOpenMetrics(text: string): string[] {
  expect(text.endsWith('\n# EOF\n')).toBe(true)
  const families = new Map<string, { type: string; metas: string[] }>()
  const samples: string[] = []
  const series = new Set<string>()
  let current = ''
  for (const line of text.slice(0, -'\n# EOF\n'.length).split('\n')) {
    const m = meta.exec(line)
    if (m) {
      const [, what, family, words] = m
      if (family !== current) {
        expect(families.has(family), `${family} in two blocks`).toBe(false)
        expect(what).toBe('TYPE')
        expect(['gauge', 'counter', 'stateset']).toContain(words)
        families.set(family, { type: words, metas: [] })
        current = family
      }
      const { metas } = families.get(family)!
      metas.push(what)
      expect(metas).toEqual(order.filter((one) => metas.includes(one)))
      if (what === 'UNIT') expect(family.endsWith('_' + words), line).toBe(true)
      continue
    }
    const s = sample.exec(line)
    expect(s, line).not.toBeNull()
    const { type } = families.get(current)!
    expect(s![1], line).toBe(type === 'counter' ? `${current}_total` : current)
    if (type === 'stateset') expect(s![2], line).toContain(`${current}="`)
    if (type === 'stateset') expect(['0', '1']).toContain(s![3])
    const key = `${s![1]}{${s![2]}}`
    expect(series.has(key), `${key} twice`).toBe(false)
    series.add(key)
    samples.push(line)
  }
  return samples
}
