/** What the rules of a station's troubles see: faults that stand, and what is measured beside them. */
import { troubleRules, type TroubleSeen } from '../alerts/alerts.js'
import {
  faultCatalogue,
  localDay,
  type FaultCode,
  type MonoSeconds,
  type SupplySign,
  type TroubleRuleName,
  type UtcMillis,
} from '../terms/terms.js'
import type { Parts } from './parts.js'
import { Baseline } from './trouble-baseline.js'
import { RunningHours } from './trouble-hours.js'
import { LineErrors } from './trouble-line.js'
import { Silence } from './trouble-silence.js'

export interface TroubleAround {
  readonly parts: () => Parts
  readonly standardOffsetMinutes: number
  /** Tells that the case is open; absent: nothing does. */
  readonly caseOpen?: SupplySign
  readonly startedAt: MonoSeconds
}

type Seen = TroubleSeen | undefined

const slowEverySeconds = 600
const daysToReserve = 3
const linesOfTwoDays = 2880
const startsInALoop = 5
const agingHours = 6000
const oldHours = 8000
const oldGaugeSeconds = 300
const longestDetail = 100

export class TroubleConditions {
  readonly baseline = new Baseline()
  readonly hours = new RunningHours()
  private readonly silence = new Silence()
  /** Of the last hour before this start. */
  abruptStarts = 0
  private readonly lines = new Map<string, LineErrors>()
  private slowAt: MonoSeconds | undefined
  private day: string | undefined
  private units = ''
  private linkAt: MonoSeconds | undefined
  private acknowledged = 0
  private backlog: number | undefined
  private caseIsOpen: boolean | undefined

  constructor(private readonly around: TroubleAround) {}

  restore(saved: unknown): void {
    const { baseline, hours, day } = Object(saved) as { baseline?: unknown; hours?: unknown; day?: unknown }
    this.baseline.restore(baseline)
    this.hours.restore(hours)
    if (typeof day === 'string') this.day = day
  }

  save(): unknown {
    return { baseline: this.baseline.save(), hours: this.hours.save(), day: this.day }
  }

  /** Once a minute, before the rules are asked; what costs more is done every ten minutes. */
  look(now: MonoSeconds): void {
    const { clock, inFlight, faults, instruments } = this.around.parts()
    this.silence.look(instruments, now)
    const { caseOpen } = this.around
    if (caseOpen) inFlight.track(this.askCase(caseOpen, now, faults))
    if (this.slowAt !== undefined && now - this.slowAt < slowEverySeconds - 0.5) return
    this.slowAt = now
    const utc = clock.at(now)
    this.lookSlowly(now, utc)
    if (utc !== undefined) this.lookAtDay(utc)
  }

  private async askCase(sign: SupplySign, now: MonoSeconds, faults: Parts['faults']): Promise<void> {
    const open = await sign.isLow()
    this.caseIsOpen = open.ok ? open.value : undefined
    if (open.ok) faults.clear('case', 'gauge-missing')
    else faults.raise('case', open.fault, now)
  }

  private lookSlowly(now: MonoSeconds, utc: UtcMillis | undefined): void {
    const { instruments, uplink, site } = this.around.parts()
    for (const instrument of instruments) {
      const errors = this.lines.get(instrument.name) ?? new LineErrors()
      errors.look(instrument.lineCounts())
      this.lines.set(instrument.name, errors)
    }
    const sensors = instruments.filter((one) => one.massKey !== undefined)
    const aging = sensors.map((one) => ({ name: one.name, slot: one.slot, ran: one.silence(now).fresh }))
    const units = site.log.units().filter(({ to }) => to === undefined)
    this.hours.look(aging, units, now, utc)
    for (const { screen, slot } of sensors) screen.surroundings.pastLife = this.hours.hours(slot) >= oldHours
    this.forgetOtherUnits(units.map(({ slot, serial }) => `${slot ?? ''} ${serial}`).join(', '))
    const link = uplink?.status(now)
    if (!link) return
    this.backlog = link.backlog
    if (link.state === 'connected' || link.packs_acknowledged > this.acknowledged) this.linkAt = now
    this.acknowledged = link.packs_acknowledged
  }

  /** Figures of two units are not one series. */
  private forgetOtherUnits(units: string): void {
    if (this.units !== '' && units !== this.units)
      for (const { massKey } of this.around.parts().instruments) if (massKey) this.baseline.forget(massKey)
    this.units = units
  }

  private lookAtDay(utc: UtcMillis): void {
    const day = localDay(utc, this.around.standardOffsetMinutes)
    const before = this.day
    this.day = day
    if (before === undefined || day <= before) return
    const { instruments, averages } = this.around.parts()
    const number = Date.parse(`${day}T00:00:00Z`) / 86_400_000 - 1
    for (const { massKey } of instruments)
      if (massKey) this.baseline.dayOver(massKey, number, averages.held(massKey))
  }

  // ---- what each rule sees ----------------------------------------------------------------------------------------------

  /** Undefined: it cannot be told now. */
  seen(rule: TroubleRuleName, now: MonoSeconds): Seen {
    const fault = this.standing(rule, now)
    if (fault?.holds) return fault
    const measured = this.measured[rule]
    if (!measured) return this.isHeard(rule, now) ? fault : undefined
    const seen = measured(now)
    return seen?.holds === false && troubleRules[rule].codes.length > 0 && !fault ? undefined : seen
  }

  /** Of the faults that a rule goes by; undefined in the first minutes, when whoever raises them has not looked yet. */
  private standing(rule: TroubleRuleName, now: MonoSeconds): Seen {
    const { codes, settleSeconds } = troubleRules[rule]
    const found = this.find(codes)
    if (found) return found
    return now - this.around.startedAt < settleSeconds ? undefined : { holds: false }
  }

  private find(codes: readonly FaultCode[]): TroubleSeen | undefined {
    if (codes.length === 0) return undefined
    const fault = this.around
      .parts()
      .faults.list()
      .find(({ code }) => codes.includes(code))
    if (!fault) return undefined
    const detail = `${faultCatalogue[fault.code].words}: ${fault.detail}`.slice(0, longestDetail)
    return { holds: true, detail }
  }

  /** A sensor that is silent says nothing of its fan. */
  private isHeard(rule: TroubleRuleName, now: MonoSeconds): boolean {
    if (rule !== 'fan-or-inlet') return true
    return this.around.parts().instruments.every((instrument) => instrument.silence(now).fresh)
  }

  private readonly measured: Partial<Record<TroubleRuleName, (now: MonoSeconds) => Seen>> = {
    'no-data': (now) => this.noData(now),
    'line-errors': () => worst([...this.lines].map(([name, errors]) => errors.seen(name))),
    'falling-baseline': () => this.baseline.seen(),
    battery: () => this.battery(),
    backlog: () => this.waiting(),
    'link-down': (now) => this.linkDown(now),
    'restart-loop': (now) => this.restarts(now),
    'case-temperature': (now) => this.temperature(now),
    'case-open': () => (this.caseIsOpen === undefined ? undefined : { holds: this.caseIsOpen }),
    'sensor-aging': () => this.age(agingHours),
    'sensor-old': () => this.age(oldHours),
  }

  private noData(now: MonoSeconds): Seen {
    const { instruments, faults } = this.around.parts()
    const heldOf = ({ name }: { name: string }): number => this.silence.seconds(name)
    const [longest] = [...instruments].sort((a, b) => heldOf(b) - heldOf(a))
    const isHeard = instruments.every((instrument) => instrument.silence(now).fresh)
    if (!longest || heldOf(longest) === 0) return isHeard ? { holds: false } : undefined
    const fault = faults
      .list()
      .find(({ detail, code }) => silences.has(code) && detail.includes(longest.lineName))
    const why = fault ? `: ${faultCatalogue[fault.code].words}` : ''
    const detail = `${longest.name}${why}`.slice(0, longestDetail)
    return { holds: true, detail, heldSeconds: heldOf(longest) }
  }

  private battery(): Seen {
    const { energy } = this.around.parts()
    if (!energy?.estimate || energy.percent === undefined) return undefined
    const { reservePercent, resumePoints } = energy.options.plan.rules
    const { percent } = energy
    const days = energy.daysToReserve(energy.forecast.normalWattHours) ?? Infinity
    const value = Math.round(percent)
    if (percent < reservePercent) return { holds: true, detail: 'below its reserve', value, unit: '%' }
    if (days <= daysToReserve)
      return { holds: true, detail: `at its reserve in ${days.toFixed(1)} days`, value, unit: '%' }
    const isBack = percent >= reservePercent + resumePoints && days > daysToReserve + 1
    return isBack ? { holds: false, value, unit: '%' } : undefined
  }

  private waiting(): Seen {
    if (!this.around.parts().uplink) return nothingIsSent
    const lines = this.backlog
    if (lines === undefined) return undefined
    if (lines > linesOfTwoDays) return { holds: true, value: lines, unit: 'lines' }
    return lines < linesOfTwoDays / 2 ? { holds: false } : undefined
  }

  private linkDown(now: MonoSeconds): Seen {
    if (!this.around.parts().uplink) return nothingIsSent
    if (this.linkAt !== undefined && now - this.linkAt < 2 * slowEverySeconds) return { holds: false }
    const heldSeconds = now - (this.linkAt ?? this.around.startedAt)
    return { holds: true, value: Math.floor(heldSeconds / 3600), unit: 'h', heldSeconds }
  }

  private restarts(now: MonoSeconds): Seen {
    const isRecent = now - this.around.startedAt < 3600
    const holds = isRecent && this.abruptStarts >= startsInALoop
    return holds ? { holds, value: this.abruptStarts, unit: 'starts' } : { holds: isRecent ? holds : false }
  }

  private temperature(now: MonoSeconds): Seen {
    const { gauges } = this.around.parts()
    const all = gauges.flatMap((gauge) => ['temperature', 'temperature.inside'].map((key) => gauge.last(key)))
    const last = all.find((one) => one && now - one.at <= oldGaugeSeconds)
    if (!last) return undefined
    const value = Math.round(last.value)
    if (last.value > 60 || last.value < -20) return { holds: true, value, unit: 'C' }
    return last.value < 55 && last.value > -15 ? { holds: false, value, unit: 'C' } : undefined
  }

  private age(limitHours: number): Seen {
    const sensors = this.around.parts().instruments.filter(({ massKey }) => massKey !== undefined)
    const old = sensors.find(({ slot }) => this.hours.hours(slot) >= limitHours)
    if (!old) return { holds: false }
    return { holds: true, detail: old.name, value: this.hours.hours(old.slot), unit: 'h' }
  }
}

/** What was raised while there was an uplink in the settings is over. */
const nothingIsSent: TroubleSeen = { holds: false }

const silences: ReadonlySet<FaultCode> = new Set([
  'port-missing',
  'port-busy',
  'port-denied',
  'port-not-serial',
  'port-gone',
  'port-failed',
  'line-unreachable',
  'sensor-silent',
  'sensor-garbage',
])

/** Of several: one that holds, else none while one cannot be told. */
function worst(seen: readonly Seen[]): Seen {
  return seen.find((one) => one?.holds) ?? (seen.every((one) => one) ? seen[0] : undefined)
}
