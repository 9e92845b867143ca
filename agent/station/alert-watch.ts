import { Alert, alertWord, type AlertChange, type AlertRule } from '../alerts/alerts.js'
import {
  addSeconds,
  isMass,
  kindOf,
  numberText,
  utcText,
  type Log,
  type MonoSeconds,
  type UtcMillis,
} from '../terms/terms.js'
import { alertDetails, alertJson } from './messages.js'
import type { LastChange } from './restart.js'
import { daySeconds, daySoFar, type DaySoFar, type RunningAverages } from './running-averages.js'

export interface AlertPorts {
  /** Writes the line of a change; it is synced before anybody is told. */
  readonly event: (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>) => void
  readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined
  /** Outside, %RH; NaN when nothing measures it. */
  readonly humidityPercent: (at: MonoSeconds) => number
  readonly log: Log
  /** Local standard time, minutes ahead of UTC. */
  readonly standardOffsetMinutes?: number
}

/** The rules of a station: stepped with each record, told as retained messages, remembered over restarts. */
export class AlertWatch {
  readonly alerts: readonly Alert[]
  readonly lastChange = new Map<string, LastChange>()
  /** Changes that nobody was told of yet, because their lines are not synced. */
  private untold: Alert[] = []
  /** What was last seen of each rule beside its state: a retained message is made anew only when it says something new. */
  private readonly seen = new Map<Alert, string>()
  /** The day that ran at the last step: when another begins, it is judged. */
  private day: string | undefined

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
    const finished = this.finishedDay(at)
    let changed = false
    for (const alert of this.alerts) {
      const { channel, average: window, onceADay, twiceRunning } = alert.rule
      if (onceADay && !finished) continue
      const average = onceADay
        ? this.averages.dayForAlerts(channel, finished!.end, finished!.day)
        : this.averages.forAlerts(channel, window, at)
      if (!average) continue
      const before = twiceRunning ? this.averages.beforeForAlerts(channel, window, at) : undefined
      const change = alert.step(average, at, quiet !== undefined, before)
      if (!change) continue
      this.write(alert, change, at)
      changed = true
    }
    return changed
  }

  private write(alert: Alert, change: AlertChange, at: MonoSeconds): void {
    const { rule } = alert
    const details = alertDetails(change, kindOf(rule.channel)?.decimals ?? 2, this.beside(change, at))
    this.lastChange.set(rule.rule, { details, utc: this.ports.utcAt(at) })
    this.ports.event(at, 'alert', details)
    this.ports.log.warn(`alert ${rule.rule}: ${alertWord(rule, alert.state)}`, details)
    this.untold.push(alert)
  }

  /** A day of local standard time that has ended since the last step, and where; undefined while the clock is not trusted. */
  private finishedDay(at: MonoSeconds): { readonly end: MonoSeconds; readonly day: DaySoFar } | undefined {
    const utc = this.ports.utcAt(at)
    if (utc === undefined) return undefined
    const now = daySoFar(utc, this.ports.standardOffsetMinutes ?? 0)
    const before = this.day
    this.day = now.date
    if (before === undefined || now.date <= before) return undefined
    return { end: addSeconds(at, -now.seconds), day: { date: before, seconds: daySeconds } }
  }

  private beside({ rule, since }: AlertChange, at: MonoSeconds): Record<string, string> {
    const began = this.ports.utcAt(since)
    const humidity = isMass(rule.channel) ? this.ports.humidityPercent(at) : NaN
    return {
      ...(began === undefined ? {} : { since: utcText(began) }),
      ...(Number.isNaN(humidity) ? {} : { humidity_percent: numberText(humidity, 0) }),
    }
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
