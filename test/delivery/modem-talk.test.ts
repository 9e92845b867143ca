import { describe, expect, it } from 'vitest'
import { FaultBoard } from '../../agent/health/health.js'
import { ModemTalk, type LinkWord } from '../../agent/delivery/delivery.js'
import { bad, good, monoSeconds, type IncomingText, type Outcome } from '../../agent/terms/terms.js'

class Told {
  now = 0
  isUp = true
  link: LinkWord = 'up'
  mayBeAnswered = false
  texts: readonly IncomingText[] = []
  fault: Outcome<unknown> = good(undefined)
  standing: Outcome<string> = good('registered')
  asked = 0
  readonly askedFor: LinkWord[] = []
  readonly heard: IncomingText[] = []
  readonly faults = new FaultBoard(() => undefined)
  private work: Promise<unknown> = Promise.resolve()
  readonly talk = new ModemTalk(
    {
      texts: (heard) => {
        this.asked++
        this.texts.forEach(heard)
        return Promise.resolve(this.fault)
      },
      standing: (link) => (this.askedFor.push(link), Promise.resolve(this.standing)),
    },
    {
      mono: () => monoSeconds(this.now),
      faults: this.faults,
      isUp: () => this.isUp,
      link: () => this.link,
      mayBeAnswered: () => this.mayBeAnswered,
      heard: (text) => this.heard.push(text),
      track: (work) => {
        this.work = work
      },
    },
  )

  async live(until: number): Promise<void> {
    for (; this.now < until; this.now += 10) {
      this.talk.step(monoSeconds(this.now))
      await this.work
    }
  }

  codes = (): string[] => this.faults.list().map(({ code }) => code)
}

describe('the talk with the modem', () => {
  it('asks for SMS every five minutes, and each minute while an answer is to be expected', async () => {
    const told = new Told()
    await told.live(3600)
    expect(told.asked).toBe(12)
    told.mayBeAnswered = true
    told.texts = [{ from: '+10005550100', text: 'K7Q4' }]
    await told.live(7200)
    expect(told.asked).toBeGreaterThanOrEqual(12 + 55)
    expect(told.heard.length).toBe(told.asked - 12)
  })

  it('knows how it stands with its network: each hour, and at once when the link is another', async () => {
    const told = new Told()
    expect(told.talk.standing(monoSeconds(0))).toBeUndefined()
    await told.live(3590)
    expect(told.askedFor).toEqual(['up'])
    told.link = 'down'
    told.standing = good('registered, but no data')
    await told.live(4200)
    expect(told.askedFor).toEqual(['up', 'down'])
    const standing = told.talk.standing(monoSeconds(told.now))
    expect(standing?.words).toBe('registered, but no data')
    expect(standing?.age_s).toBeLessThanOrEqual(600)
  })

  it('tells what the modem lacks, until it no longer does', async () => {
    const told = new Told()
    told.fault = bad('sms-silent', 'no answer')
    await told.live(20)
    expect(told.codes()).toEqual(['sms-silent'])
    told.fault = bad('sms-port', 'gone')
    await told.live(620)
    expect(told.codes()).toEqual(['sms-port'])
    expect(told.askedFor).toEqual([])
    told.fault = good(undefined)
    await told.live(1220)
    expect(told.codes()).toEqual([])
    expect(told.askedFor).toEqual(['up'])
  })

  it('hears what came before a reading failed, and tells that it failed', async () => {
    const told = new Told()
    told.texts = [{ from: '+10005550100', text: 'K7Q4' }]
    told.fault = bad('sms-silent', 'no answer')
    await told.live(20)
    expect(told.heard).toEqual([{ from: '+10005550100', text: 'K7Q4' }])
    expect(told.codes()).toEqual(['sms-silent'])
  })

  it('leaves a modem alone that has no power', async () => {
    const told = new Told()
    told.isUp = false
    await told.live(7200)
    expect(told.asked).toBe(0)
  })
})
