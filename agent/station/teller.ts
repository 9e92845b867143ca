import type { Alert } from '../alerts/alerts.js'
import { isMass, kindOf, utcText, type MonoSeconds, type TroubleRuleName } from '../terms/terms.js'
import { json, withoutZeroReasons } from './messages.js'
import type { Parts } from './parts.js'

/** What a station looks like at this moment, for messages. */
export interface Present {
  readonly health: () => Record<string, unknown>
  /** End of the newest record. */
  readonly end: () => MonoSeconds
  readonly now: () => MonoSeconds
}

/** Keeps the retained messages at the broker true: health, averages, the state of each rule. */
export class Teller {
  /** Averages are told once there is a record. */
  anyRecord = false

  constructor(
    private readonly parts: Parts,
    private readonly present: Present,
  ) {}

  all(): void {
    this.parts.uplink?.retain('health', json(withoutZeroReasons(this.present.health())))
    this.averages()
    for (const alert of this.parts.alerting.alerts) this.alert(alert)
    for (const rule of this.parts.troubles.raised) this.trouble(rule)
  }

  /** Only after the lines of the changes were synced, or the disk was tried and failed. */
  changedAlerts(): void {
    const untold = this.parts.alerting.takeUntold()
    const troubles = this.parts.troubles.takeUntold()
    if (untold.length + troubles.length === 0) return
    for (const alert of untold) this.alert(alert)
    for (const rule of troubles) this.trouble(rule)
    this.averages()
    this.parts.uplink?.hurry()
  }

  /** Rules that do not know any more, or know again, and those that are quiet because somebody is there. */
  turnedAlerts(quiet: string | undefined): void {
    for (const alert of this.parts.alerting.turned(quiet)) this.alert(alert)
  }

  private alert(alert: Alert): void {
    const { alerting, site, uplink } = this.parts
    const quiet = site.quietWords(this.present.now())
    uplink?.retain(`alerts/${alert.rule.rule}`, json(alerting.json(alert, quiet)))
  }

  private trouble(rule: TroubleRuleName): void {
    const { troubles, uplink } = this.parts
    uplink?.retain(`alerts/${rule}`, json(troubles.json(rule)))
  }

  private longAverages(key: string, end: MonoSeconds): Record<string, unknown> {
    return { unit: kindOf(key)?.unit, ...this.parts.averages.longJson(key, end) }
  }

  private averages(): void {
    const { averages, clock, uplink } = this.parts
    if (!this.anyRecord || !uplink) return
    const end = this.present.end()
    const channels: Record<string, unknown> = {}
    for (const key of averages.keys) if (isMass(key)) channels[key] = this.longAverages(key, end)
    const utc = clock.at(end)
    const at = utc === undefined ? { clock: 'not trusted' } : { until: utcText(utc) }
    uplink.retain('averages', json({ v: 1, ...at, channels }))
  }
}
