import fc from 'fast-check'
import { expect } from 'vitest'
import { isBalanced } from '../../agent/terms/terms.js'
import { anna, ben, hour, World, type Mode, type Told } from './world.js'

const rules = [
  { rule: 'pm10', priority: 'normal' },
  { rule: 'fire', priority: 'high' },
  { rule: 'fan', priority: 'low' },
  { rule: 'door', priority: 'normal' },
] as const
const recipients = [anna, ben]
const mostAnHour = 3

export type Command =
  | { do: 'change'; rule: number }
  | { do: 'pass'; seconds: number }
  | { do: 'mode'; way: 'sms' | 'email'; mode: Mode }
  | { do: 'kill'; kept: number; isReboot: boolean; fromCheckpoint: boolean; isClockKnown: boolean }
  | { do: 'disk' | 'clock' | 'link'; works: boolean }
  | { do: 'checkpoint' | 'test' }
  | { do: 'acknowledge'; rule: number; by: 'anna' | 'nobody' }
  | { do: 'mute'; rule: number; hours: number }

const modes: Mode[] = [
  'works',
  'works',
  'fails',
  'fails',
  'final',
  'unsure-sent',
  'unsure-lost',
  'hangs-sent',
  'hangs-lost',
  'killed-sent',
  'killed-lost',
]
const ruleIndex = fc.nat(rules.length - 1)
export const command: fc.Arbitrary<Command> = fc.oneof(
  { weight: 8, arbitrary: fc.record({ do: fc.constant('change' as const), rule: ruleIndex }) },
  {
    weight: 5,
    arbitrary: fc.record({
      do: fc.constant('pass' as const),
      seconds: fc.oneof(fc.constantFrom(5, 60, 600, 1800), fc.integer({ min: 1, max: 12 * hour })),
    }),
  },
  {
    weight: 4,
    arbitrary: fc.record({
      do: fc.constant('mode' as const),
      way: fc.constantFrom('sms' as const, 'sms' as const, 'email' as const),
      mode: fc.constantFrom(...modes),
    }),
  },
  {
    weight: 3,
    arbitrary: fc.record({
      do: fc.constant('kill' as const),
      kept: fc.nat(6),
      isReboot: fc.boolean(),
      fromCheckpoint: fc.boolean(),
      isClockKnown: fc.boolean(),
    }),
  },
  {
    weight: 1,
    arbitrary: fc.record({
      do: fc.constantFrom('disk' as const, 'clock' as const, 'link' as const),
      works: fc.boolean(),
    }),
  },
  { weight: 1, arbitrary: fc.record({ do: fc.constantFrom('checkpoint' as const, 'test' as const) }) },
  {
    weight: 1,
    arbitrary: fc.record({
      do: fc.constant('acknowledge' as const),
      rule: ruleIndex,
      by: fc.constantFrom('anna' as const, 'nobody' as const),
    }),
  },
  {
    weight: 1,
    arbitrary: fc.record({ do: fc.constant('mute' as const), rule: fc.nat(rules.length), hours: fc.nat(30) }),
  },
)

/** One life, and what must hold of it. */
export class Life {
  readonly world = new World(recipients, { mostAnHour })
  /** Then a summary may be told again in parts, as each of its rules may be told again. */
  private isMuteUsed = false

  /** The newest change of a rule in the store is its state: what was lost did not happen. */
  private newest(rule: string): { readonly state: string; readonly seq: number } {
    const line = this.world.lines.findLast(({ name, details }) => name === 'alert' && details.rule === rule)
    return { state: line?.details.state ?? 'over', seq: line?.seq ?? 0 }
  }

  async act(c: Command): Promise<void> {
    const { world } = this
    if (c.do === 'change') await this.change(c.rule)
    else if (c.do === 'pass') await world.pass(c.seconds, Math.max(5, Math.ceil(c.seconds / 40)))
    else if (c.do === 'mode') world.modes[c.way] = c.mode
    else if (c.do === 'kill') await this.kill(c)
    else if (c.do === 'disk') world.setDisk(c.works)
    else if (c.do === 'clock') world.isClockTrusted = c.works
    else if (c.do === 'link') world.isLinkUp = c.works
    else if (c.do === 'checkpoint') await world.checkpoint()
    else if (c.do === 'test') void world.delivery.sendTest('anna', world.mono)
    else if (c.do === 'acknowledge') world.delivery.acknowledge(rules[c.rule].rule, c.by, world.mono)
    else if (c.do === 'mute') {
      this.isMuteUsed = true
      world.delivery.mute(rules[c.rule]?.rule ?? 'all', c.hours * hour, 'x', world.mono)
    }
    await world.settle()
    expect(isBalanced(world.delivery.counts()), 'taken = given + refused + held').toBe(true)
  }

  private async change(index: number): Promise<void> {
    const { rule, priority } = rules[index]
    await this.world.change(rule, this.newest(rule).state === 'raised' ? 'over' : 'raised', priority)
  }

  private async kill(c: Command & { do: 'kill' }): Promise<void> {
    const { world } = this
    if (c.isReboot) world.isClockTrusted = c.isClockKnown
    await world.kill(c.kept, c.isReboot, c.fromCheckpoint)
  }

  /** Everything works from here on, for long enough. */
  async calm(): Promise<void> {
    const { world } = this
    world.setDisk(true)
    world.isClockTrusted = true
    world.isLinkUp = true
    world.modes = { sms: 'works', email: 'works', webhook: 'works' }
    await world.pass(60, 5)
    await world.pass(4 * 24 * hour, 1800)
  }

  check(): void {
    for (const { alias } of recipients) {
      this.checkRepeats(alias)
      this.checkRates(alias)
      for (const { rule } of rules) this.checkKnows(alias, rule)
    }
    for (const { ways, isDiskFailed } of this.world.kills)
      for (const name of ['sms', 'email'])
        if (!isDiskFailed)
          expect(ways.filter((way) => way === name).length, 'lost notes of a kill').toBeLessThan(2)
    expect(this.world.delivery.isWaiting, JSON.stringify(this.world.delivery.status(this.world.mono))).toBe(
      false,
    )
  }

  /** What may have been told again: by kills, and by ways that do not say what they did. */
  private excused(alias: string): number {
    const unsure = this.world.toldTo(alias).filter(({ isSure }) => !isSure)
    // A kill after a summary whose attempt was not noted (not every one is): what it was made of is told again in parts.
    const cutOff = this.world
      .toldTo(alias)
      .filter(({ rule, life }) => rule === 'summary' && (this.world.kills[life - 1]?.ways.length ?? 0) > 0)
    const apart = this.world.toldTo(alias).filter(({ rule }) => rule === 'summary' && this.isMuteUsed)
    return (
      unsure.length +
      apart.length * rules.length +
      cutOff.reduce((sum, { ids }) => sum + ids.length - 1, 0) +
      this.world.kills.reduce((sum, { ways }) => sum + ways.length, 0)
    )
  }

  private checkRepeats(alias: string): void {
    const seen = new Map<number, Told>()
    let repeats = 0
    for (const told of this.world.toldTo(alias).filter(({ rule }) => rule !== 'test')) {
      const earlier = told.ids.map((id) => seen.get(id)).find((one) => one !== undefined)
      if (earlier) repeats++
      if (earlier?.rule === told.rule && told.rule !== 'summary') expect(told.code).toBe(earlier.code)
      if (earlier?.id === told.id && earlier.rule === told.rule)
        expect(told.message.key).toBe(earlier.message.key)
      for (const id of told.ids) seen.set(id, told)
    }
    expect(repeats, 'told twice').toBeLessThanOrEqual(this.excused(alias))
  }

  private checkRates(alias: string): void {
    const told = this.world.toldTo(alias)
    const more = this.excused(alias)
    const alerts = told.filter(({ rule }) => rule !== 'test')
    expect(mostWithin(alerts, hour), 'messages in an hour').toBeLessThanOrEqual(2 * (mostAnHour + 1) + more)
    const sms = told.filter(({ way }) => way === 'sms')
    expect(mostWithin(sms, 24 * hour), 'SMS in a day').toBeLessThanOrEqual(10 + more)
  }

  /** What the person was told last is how it is. */
  private checkKnows(alias: string, rule: string): void {
    const { state, seq } = this.newest(rule)
    if (alias === 'ben' && rule === 'fan') return expect(this.word(alias, rule)).toBe('over')
    if (this.isExcused(alias, rule, seq) || this.isLost(alias, rule)) return
    expect(this.word(alias, rule), `${alias} of ${rule}`).toBe(state)
  }

  private word(alias: string, rule: string): string {
    const says = this.world.toldTo(alias).flatMap((one) => one.says.filter((notice) => notice.rule === rule))
    return says.at(-1)?.state ?? 'over'
  }

  /** Told in a life whose disk failed and that was killed before the note was safe: nobody can know of it any more. */
  private isLost(alias: string, rule: string): boolean {
    const { kills } = this.world
    return this.world
      .toldTo(alias)
      .some(({ says, life }) => kills[life - 1]?.isDiskFailed && says.some((notice) => notice.rule === rule))
  }

  /** Acknowledged by the person, or left after an attempt and its repetition that said nothing. */
  private isExcused(alias: string, rule: string, seq: number): boolean {
    return this.world.lines.some(({ name, details: d }) => {
      const isOf = name === 'delivery' && d.to === alias && d.rule === rule && Number(d.notice) === seq
      return isOf && (d.state === 'unsure' || d.because === 'acknowledged')
    })
  }
}

function mostWithin(told: readonly Told[], seconds: number): number {
  const counts = told.map(
    ({ at }) => told.filter((other) => other.at >= at && other.at < at + seconds).length,
  )
  return Math.max(0, ...counts)
}
