import {
  decidePlan,
  runsInMinute,
  samplingSteps,
  type PlanDecision,
  type PlanReason,
  type PlanRules,
  type PlanView,
  type SamplingStep,
} from '../power/power.js'
import type { MonoSeconds, UtcMillis } from '../terms/terms.js'

export interface PlanOptions {
  /** A step that never changes, or: continuous, and less only to protect the battery. */
  readonly plan: SamplingStep | 'protecting'
  readonly rules: PlanRules
  /** While an alert of a sensor stands, it runs between its windows too: on request, for alerts only. */
  readonly richerWhenAlerted?: boolean
  readonly standardOffsetMinutes: number
}

/** What a plan acts on. */
export interface PlanPorts {
  readonly sensors: readonly { run(on: boolean, now: MonoSeconds, onRequest: boolean): void }[]
  readonly utcAt: (now: MonoSeconds) => UtcMillis | undefined
  /** An alert of what the sensors measure stands. */
  readonly alerted: () => boolean
  readonly tell: (name: string, details: Readonly<Record<string, string>>) => void
}

/** A charge below the reserve must be seen so often in a row: nothing is done about one odd reading. */
const looksBeforeAction = 2
const edgeGraceMillis = 500
const dayMinutes = 1440

/**
 * The sampling plan of a running station: which step holds, whether the sensor runs in a record, and the one decision a
 * day. A change takes effect with the next record, so that each record is planned whole or not at all.
 */
export class SamplingPlan {
  step: SamplingStep
  reason: PlanReason | 'fixed'
  /** Whether the sensor runs in the running record. */
  running = true
  /** Whether the plan itself has it run: of the rest of the running records no figure is made. */
  planned = true
  /** Somebody far away wants the sensor to run between its windows too, until then. */
  richerUntil: MonoSeconds | undefined
  private decidedDay: number | undefined
  private lowLooks = 0

  constructor(
    private readonly options: PlanOptions,
    private readonly ports: PlanPorts,
  ) {
    this.step = options.plan === 'protecting' ? 'continuous' : options.plan
    this.reason = options.plan === 'protecting' ? 'unchanged' : 'fixed'
  }

  get isProtecting(): boolean {
    return this.options.plan === 'protecting'
  }

  /** A step of an earlier run goes on until the next decision; settings that fix one win. */
  restore(step: unknown): void {
    const known = samplingSteps.find((facts) => facts.step === step)
    if (known && this.isProtecting) this.step = known.step
  }

  /** A record begins at this moment. */
  apply(start: MonoSeconds): void {
    this.planned = runsInMinute(this.step, this.minuteAt(start) % 60)
    this.running = this.planned || this.isRequested(start)
    const onRequest = this.running && !this.planned
    for (const sensor of this.ports.sensors) sensor.run(this.running, start, onRequest)
  }

  /** Never at the heartbeat: there the sensor sleeps to protect the battery, whatever the air is. */
  private isRequested(now: MonoSeconds): boolean {
    if (this.step === 'heartbeat') return false
    if (this.richerUntil !== undefined && now < this.richerUntil) return true
    return this.options.richerWhenAlerted === true && this.ports.alerted()
  }

  /** Minutes of local standard time since its beginning; of the boot while the clock is not trusted. */
  private minuteAt(now: MonoSeconds): number {
    const utc = this.ports.utcAt(now)
    const millis = utc === undefined ? now * 1000 : utc + this.options.standardOffsetMinutes * 60_000
    return Math.floor((millis + edgeGraceMillis) / 60_000)
  }

  /** After each look at the gauges. @returns what was decided, if anything was to be decided */
  look(view: Omit<PlanView, 'now' | 'isMidnight'>, now: MonoSeconds): PlanDecision | undefined {
    if (!this.isProtecting) return undefined
    const { rules } = this.options
    const day = Math.floor(this.minuteAt(now) / dayMinutes)
    const isMidnight = this.decidedDay !== undefined && day !== this.decidedDay
    const isLow = view.percent !== undefined && view.percent < rules.reservePercent
    this.lowLooks = isLow ? this.lowLooks + 1 : 0
    this.decidedDay = day
    if (!isMidnight && isLow && this.lowLooks < looksBeforeAction) return undefined
    const decision = decidePlan({ ...view, now: this.step, isMidnight }, rules)
    this.take(decision, view.percent)
    return decision
  }

  private take({ step, reason, daysToReserve }: PlanDecision, percent: number | undefined): void {
    this.reason = reason
    if (step === this.step) return
    const from = this.step
    this.step = step
    this.ports.tell('sampling-plan', {
      from,
      to: step,
      reason,
      ...(percent === undefined ? {} : { charge_percent: percent.toFixed(1) }),
      ...(daysToReserve === undefined ? {} : { days_to_reserve: daysToReserve.toFixed(1) }),
    })
  }
}
