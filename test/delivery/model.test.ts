/**
 * Random lives of a station's telling: alerts come and go, ways fail, answer without saying what they did, or hang; the program
 * is killed in the middle, the board loses its supply, disk, clock and link come and go, people acknowledge and mute. At the
 * end all is well for some days. Then nobody is left untold, nothing is stuck, and nothing was told twice but for the kills.
 */
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { command, Life, type Command } from './life.js'

const runs = Number(process.env.MODEL_RUNS ?? 10_000)
const seed = Number(process.env.MODEL_SEED ?? Date.now() % 2 ** 31)

/** Lives that once failed; they are lived first. */
const kept: [Command[]][] = [
  [
    [
      { do: 'change', rule: 0 },
      { do: 'mode', way: 'sms', mode: 'final' },
      { do: 'change', rule: 0 },
      { do: 'mode', way: 'sms', mode: 'unsure-lost' },
      { do: 'pass', seconds: 3695 },
      { do: 'pass', seconds: 1 },
      { do: 'change', rule: 0 },
      { do: 'change', rule: 1 },
      { do: 'mute', rule: 0, hours: 1 },
      { do: 'change', rule: 0 },
    ],
  ],
]

async function live(commands: readonly Command[]): Promise<Life> {
  const life = new Life()
  for (const command of commands) await life.act(command)
  await life.calm()
  life.check()
  return life
}

describe('a random life of alerts, failures and kills', () => {
  it('leaves nobody untold, tells nothing twice but for the kills, and ends with nothing stuck', async () => {
    console.info(`${runs} lives, seed ${seed}`)
    let kills = 0
    let told = 0
    const property = fc.asyncProperty(
      fc.array(command, { minLength: 5, maxLength: 40 }),
      async (commands) => {
        const { world } = await live(commands)
        kills += world.kills.length
        told += world.told.length
      },
    )
    await fc.assert(property, { numRuns: runs, seed, examples: kept })
    console.info(`${kills} kills, ${told} messages`)
    expect(kills).toBeGreaterThan(runs)
    expect(told).toBeGreaterThan(runs)
  }, 600_000)
})
