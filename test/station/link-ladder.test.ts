import { describe, expect, it } from 'vitest'
import { FaultBoard } from '../../agent/health/health.js'
import { LinkLadder, type LinkStep } from '../../agent/station/link-ladder.js'
import { bad, done, monoSeconds } from '../../agent/terms/terms.js'

/** A ladder on a link that has not answered since time 0, a look a minute. */
function made(steps: Partial<LinkStep>[], fails = false) {
  const ran: string[] = []
  const told: Record<string, string>[] = []
  const faults = new FaultBoard(() => undefined)
  const link = {
    answersAt: Infinity,
    unansweredSeconds: (now: number) => (now >= link.answersAt ? 0 : now),
    reconnect: () => void ran.push('reconnect'),
    tryNow: () => undefined,
  }
  let safe = 0
  const ladder = new LinkLadder(
    steps.map((step) => ({
      name: 'interface',
      afterSeconds: 600,
      everySeconds: 3600,
      mostADay: 4,
      ...step,
      run: {
        name: 'made',
        cycle: () => {
          ran.push(`${step.name ?? 'interface'}, ${safe} times safe`)
          return Promise.resolve(fails ? bad('link-step-failed', 'made') : done)
        },
      },
    })),
    link,
    faults,
    {
      tell: (_, details) => void told.push({ ...details }),
      makeSafe: () => {
        safe++
        return Promise.resolve()
      },
    },
  )
  const live = async (from: number, to: number): Promise<void> => {
    for (let now = from; now < to; now += 60) await ladder.look(monoSeconds(now))
  }
  return { ladder, link, faults, ran, told, live }
}

describe('the ladder against a link that carries nothing', () => {
  it('makes lines safe before each command, and tells one that fails until the link answers', async () => {
    const { link, faults, ran, told, live } = made([{ name: 'reboot' }], true)
    await live(0, 1200)
    expect(ran).toEqual(['reconnect', 'reboot, 1 times safe'])
    expect(faults.list()).toMatchObject([{ code: 'link-step-failed', detail: 'reboot: made' }])
    expect(told.map(({ step, result }) => [step, result])).toEqual([
      ['reconnect', undefined],
      ['reboot', undefined],
      ['reboot', 'failed'],
    ])
    link.answersAt = 1200
    await live(1200, 1300)
    expect(faults.list()).toEqual([])
  })

  it('does nothing while something answers', async () => {
    const { link, ran, live } = made([{}])
    link.answersAt = 0
    await live(0, 86_400)
    expect(ran).toEqual([])
  })

  it('keeps distance and daily limit of a reboot over the reboot itself', async () => {
    const first = made([{ name: 'reboot', everySeconds: 7200, mostADay: 2 }])
    await first.live(0, 4 * 3600)
    expect(first.ran.filter((one) => one.startsWith('reboot'))).toHaveLength(2)
    const second = made([{ name: 'reboot', everySeconds: 7200, mostADay: 2 }])
    second.ladder.restore(
      JSON.parse(JSON.stringify(first.ladder.save(monoSeconds(4 * 3600)))),
      monoSeconds(0),
    )
    await second.live(0, 8 * 3600)
    expect(second.ran.filter((one) => one.startsWith('reboot'))).toHaveLength(0)
    for (const nonsense of [undefined, 3, { reboot: 'x' }, { reboot: [-1] }])
      expect(() => second.ladder.restore(nonsense, monoSeconds(0))).not.toThrow()
  })
})
