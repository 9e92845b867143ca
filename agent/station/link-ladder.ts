import type { FaultBoard } from '../health/health.js'
import { monoSeconds, secondsBetween, type MonoSeconds, type PowerSwitch } from '../terms/terms.js'

/** What an owner may let the station do about a link that is up and carries nothing, the gentlest first. */
export const linkStepNames = ['interface', 'modem-reset', 'modem-power', 'reboot'] as const
export type LinkStepName = (typeof linkStepNames)[number]

export interface LinkStep {
  readonly name: LinkStepName
  /** Without any answer for so long the step is due. */
  readonly afterSeconds: number
  /** At most so often, over restarts of agent and board too. */
  readonly everySeconds: number
  readonly mostADay: number
  /** Runs the owner's command. Bounded in time. */
  readonly run: PowerSwitch
}

/** The first step is ours: a fresh connection. */
const reconnect = { name: 'reconnect', afterSeconds: 300, everySeconds: 3600, mostADay: 24 } as const
/** A step is given so long to show that it helped. */
const settleSeconds = 300
const daySeconds = 86_400
const where = 'uplink'

export interface LinkView {
  /** 0 while nothing is missing. */
  unansweredSeconds(now: MonoSeconds): number
  reconnect(): void
  tryNow(): void
}

export interface LadderHooks {
  /** Writes an event line. */
  tell(name: string, details: Readonly<Record<string, string>>): void
  /** Brings lines and checkpoint to the disk: the step may end the board. */
  makeSafe(): Promise<void>
}

/**
 * A modem that says 'connected' and carries nothing is only noticed from end to end: neither attempts nor messages are
 * answered. Then one step after the other is taken, each at its distance and not more often than it may, told as an event.
 */
export class LinkLadder {
  private readonly ranAt: Record<string, MonoSeconds[]> = {}
  private steppedAt = -Infinity
  private running = false

  constructor(
    private readonly steps: readonly LinkStep[],
    private readonly link: LinkView,
    private readonly faults: FaultBoard,
    private readonly hooks: LadderHooks,
  ) {}

  /** Once a minute. Begins what is due; the promise ends when the owner's command has. */
  look(now: MonoSeconds): Promise<void> | undefined {
    const seconds = this.link.unansweredSeconds(now)
    if (seconds === 0) this.faults.clear(where, 'link-step-failed')
    if (this.running || now - this.steppedAt < settleSeconds) return undefined
    if (this.isDue(reconnect, seconds, now)) {
      this.note(reconnect.name, seconds, now)
      this.link.reconnect()
      return undefined
    }
    const step = this.steps.find((one) => this.isDue(one, seconds, now))
    return step && this.run(step, seconds, now)
  }

  private isDue(
    {
      name,
      afterSeconds,
      everySeconds,
      mostADay,
    }: Omit<LinkStep, 'run' | 'name'> & { readonly name: string },
    seconds: number,
    now: MonoSeconds,
  ): boolean {
    const runs = this.runs(name, now)
    if (seconds < afterSeconds || runs.length >= mostADay) return false
    return runs.length === 0 || secondsBetween(runs[runs.length - 1], now) >= everySeconds
  }

  /** Of the last 24 hours; no distance is longer. */
  private runs(name: string, now: MonoSeconds): MonoSeconds[] {
    const all = this.ranAt[name] ?? []
    return all.filter((at) => now - at < daySeconds)
  }

  private note(name: string, seconds: number, now: MonoSeconds): void {
    const runs = [...this.runs(name, now), now]
    this.ranAt[name] = runs
    this.steppedAt = now
    this.hooks.tell('link-step', {
      step: name,
      unanswered_s: String(Math.round(seconds)),
      run_of_day: String(runs.length),
    })
  }

  private async run(step: LinkStep, seconds: number, now: MonoSeconds): Promise<void> {
    this.running = true
    this.note(step.name, seconds, now)
    await this.hooks.makeSafe()
    const ran = await step.run.cycle()
    this.running = false
    if (ran.ok) this.faults.clear(where, 'link-step-failed')
    else {
      this.faults.raise(where, { code: 'link-step-failed', detail: `${step.name}: ${ran.fault.detail}` }, now)
      this.hooks.tell('link-step', { step: step.name, result: 'failed' })
    }
    this.link.tryNow()
  }

  /** Runs in the last 24 hours by step; nothing where there were none. */
  report(now: MonoSeconds): Record<string, number> {
    const names = [reconnect.name, ...this.steps.map(({ name }) => name)]
    const counts = names.map((name) => [name, this.runs(name, now).length] as const)
    return Object.fromEntries(counts.filter(([, count]) => count > 0))
  }

  /** Ages of the runs in seconds: the monotonic clock begins anew with a boot. */
  save(now: MonoSeconds): Record<string, number[]> {
    const ages = (name: string) => this.runs(name, now).map((at) => Math.round(now - at))
    return Object.fromEntries(Object.keys(this.ranAt).map((name) => [name, ages(name)]))
  }

  /** As if no time had passed since: nobody knows how long the board was off. */
  restore(saved: unknown, now: MonoSeconds): void {
    for (const [name, ages] of Object.entries(Object(saved) as Record<string, unknown>)) {
      if (!Array.isArray(ages) || ages.length > 100 || !ages.every((age) => Number.isFinite(age) && age >= 0))
        continue
      this.ranAt[name] = (ages as number[]).map((age) => monoSeconds(now - age))
    }
  }
}
