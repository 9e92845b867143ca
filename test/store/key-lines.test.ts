/** Lines of keys, as a verification follows them, beside a plain search through all of them. */
import { expect, it } from 'vitest'
import { inForce, KeyLines, type KeyLine } from '../../agent/store/key-lines.js'
import { freshSeed, Mutations } from '../support/mutations.js'

const at = { file: 'f', lineNumber: 1 }
const holds = (line: KeyLine, key: string): boolean => inForce(line).publicKey === key || line.next.has(key)
const signaturesOf = (line: KeyLine): number =>
  line.uses.reduce((sum, { signatures }) => sum + signatures.length, 0)

it('what a key signs is of the oldest line that it is in force in, or named next in, whoever handed over to it when', () => {
  console.info(`lines of keys: FUZZ_SEED=${freshSeed}`)
  const random = new Mutations(freshSeed)
  let followed = 0
  for (let turn = 0; turn < 300; turn++) {
    const lines = new KeyLines()
    const keys = ['a', 'b', 'c', 'd', 'e', 'f'].slice(0, 2 + random.pick(5))
    for (let seq = 1; seq <= 40; seq++) {
      const key = random.of(keys)
      const oldest = lines.lines.find((line) => holds(line, key))
      const signedBefore = oldest && signaturesOf(oldest)
      if (random.once(2)) {
        const next = random.of(keys)
        const said = { ...at, text: '', said: { next, before: key } }
        const isFirst = lines.lines.length === 0
        expect(lines.handOver(said, key, seq)).toBe(oldest !== undefined || isFirst)
        if (!oldest) continue
        expect([inForce(oldest).publicKey, oldest.next.has(next)]).toEqual([key, true])
      } else {
        lines.sign({ ...at, seq, publicKey: key })
        if (!oldest) continue
        expect([inForce(oldest).publicKey, signaturesOf(oldest)]).toEqual([key, signedBefore! + 1])
      }
      if (oldest !== lines.lines.at(-1)) followed++
    }
  }
  expect(followed).toBeGreaterThan(100)
})
