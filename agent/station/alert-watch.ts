import { Alert, alertWord, type AlertRule } from '../alerts/alerts.js'
import { kindOf, type Log, type MonoSeconds, type UtcMillis } from '../terms/terms.js'
import { alertDetails, alertJson } from './messages.js'
import type { LastChange } from './restart.js'
import type { RunningAverages } from './running-averages.js'

export interface AlertPorts {
  /** Writes the line of a change; it is synced before anybody is told. */
  readonly event: (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>) => void
  readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined
  readonly log: Log
}

/** The rules of a station: stepped with each record, told as retained messages, remembered over restarts. */
export class AlertWatch {
  readonly alerts: readonly Alert[]
  readonly lastChange = new Map<string, LastChange>()
  /** Changes that nobody was told of yet, because their lines are not synced. */
  private untold: Alert[] = []
  /** What was last seen of each rule beside its state: a retained message is made anew only when it says something new. */
  private readonly seen = new Map<Alert, string>()

  constructor(
    rules: readonly AlertRule[],
    private readonly averages: RunningAverages,
    private readonly ports: AlertPorts,
    now: MonoSeconds,
  ) {
    this.alerts = rules.map((rule) => new Alert(rule, now))
  }

  /** What the lines of the store say of earlier changes. */
  restore(changes: ReadonlyMap<string, LastChange>): void {
    for (const [rule, change] of changes) this.lastChange.set(rule, change)
    for (const alert of this.alerts)
      alert.restore(changes.get(alert.rule.rule)?.details.state === 'raised' ? 'raised' : 'normal')
  }

  /**
   * @param quiet why nothing is raised now; undefined: nobody is at the station
   * @returns whether any state changed: its line is to be synced now
   */
  step(at: MonoSeconds, quiet: string | undefined): boolean {
    let changed = false
    for (const alert of this.alerts) {
      const { rule } = alert
      const average = this.averages.forAlerts(rule.channel, rule.average, at)
      if (!average) continue
      const change = alert.step(average, at, quiet !== undefined)
      if (!change) continue
      const details = alertDetails(change, kindOf(rule.channel)?.decimals ?? 2)
      this.lastChange.set(rule.rule, { details, utc: this.ports.utcAt(at) })
      this.ports.event(at, 'alert', details)
      this.ports.log.warn(`alert ${rule.rule}: ${alertWord(rule, alert.state)}`, details)
      this.untold.push(alert)
      changed = true
    }
    return changed
  }

  /** Whether a rule of one of these channels is raised. */
  isRaisedOf(channels: ReadonlySet<string>): boolean {
    return this.alerts.some(({ rule, state }) => state === 'raised' && channels.has(rule.channel))
  }

  /** The alerts whose changes may be told now. */
  takeUntold(): readonly Alert[] {
    const untold = this.untold
    this.untold = []
    return untold
  }

  /** The alerts whose message would say something new without a change of state: quiet, not known, or asleep by plan. */
  turned(quiet: string | undefined): readonly Alert[] {
    return this.alerts.filter((alert) => {
      const says = `${quiet ?? ''} ${alert.unknownSince ?? ''} ${alert.asleepByPlan}`
      const isNew = this.seen.get(alert) !== says
      this.seen.set(alert, says)
      return isNew
    })
  }

  json(alert: Alert, quiet: string | undefined): Record<string, unknown> {
    const { rule, unknownSince } = alert
    const unit = kindOf(rule.channel)?.unit ?? ''
    const unknownUtc = unknownSince === undefined ? undefined : this.ports.utcAt(unknownSince)
    return alertJson(alert, unit, this.lastChange.get(rule.rule), { quiet, unknownUtc })
  }
}
