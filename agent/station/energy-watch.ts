/** Battery and sun of a running station: once a minute from its gauges to a charge, a ledger, a forecast and a plan. */
import type { FaultBoard } from '../health/health.js'
import {
  chargeEstimate,
  chargingBelowFreezing,
  chargingVolts,
  checkPower,
  clearPanelWatts,
  daysToReserve,
  forecastHarvest,
  newCheck,
  stepCharge,
  unshadedShare,
  type BatterySpec,
  type ChargeEstimate,
  type CheckState,
  type HarvestForecast,
  type PanelPlace,
  type PlanView,
  type PowerReading,
  type SunNow,
} from '../power/power.js'
import {
  good,
  secondsBetween,
  type Fault,
  type FaultCode,
  type Gauge,
  type MonoSeconds,
  type UtcMillis,
} from '../terms/terms.js'
import type { BoardOff } from './board-off.js'
import { bookEnergy, type EnergyBooks } from './energy-books.js'
import { outlookOf, type Outlook } from './energy-outlook.js'
import { energyReport } from './energy-report.js'
import { newEnergy, readEnergy, type EnergyState, type SavedEnergy } from './energy-state.js'
import type { ModemHours } from './modem-hours.js'
import type { PlanOptions, SamplingPlan } from './sampling-plan.js'

export interface EnergyOptions {
  readonly battery: BatterySpec
  readonly panel?: PanelPlace
  readonly load: { readonly boardWatts: number; readonly sensorWatts: number; readonly modemWatts: number }
  readonly plan: PlanOptions
}

export interface EnergyPorts {
  /** The newest value of a gauge, if it is of the asking at `now`. */
  readonly gaugeAt: (key: string, now: MonoSeconds) => number | undefined
  readonly temperatureC: (now: MonoSeconds) => number
  readonly utcAt: (now: MonoSeconds) => UtcMillis | undefined
  readonly faults: FaultBoard
  readonly tell: (name: string, details: Readonly<Record<string, string>>) => void
  readonly plan: SamplingPlan
  readonly modem?: ModemHours
  readonly boardOff?: BoardOff
}

const where = 'battery'
const checkFaults = ['gauge-absurd', 'gauge-stuck', 'gauge-sign'] as const
const longestStepSeconds = 600
/** What is assumed of a gap of which nobody knows the length. */
const unknownGapSeconds = 3600
const sunWakeSeconds = 6 * 3600
const morningSeconds = 3600

export class EnergyWatch {
  state: EnergyState
  reading: PowerReading = {}
  forecast: HarvestForecast = { normalWattHours: 0, badSpellWattHours: 0, learnedDays: 0 }
  /** Of the harvest under a clear sky: what comes past the shadows that were learned. */
  unshaded = 1
  private check: CheckState = newCheck
  private readonly outlook: Outlook | undefined
  private month = 0
  private lookedAt: MonoSeconds | undefined
  /** As the run before this one knew it, until a gauge answers. */
  private before: number | undefined

  constructor(
    readonly options: EnergyOptions,
    readonly ports: EnergyPorts,
  ) {
    this.state = newEnergy(options.battery)
    this.outlook = options.panel && outlookOf(options, options.panel)
  }

  // ---- across restarts --------------------------------------------------------------------------------------------------

  /** @param utc now, if anybody knows: how long the station was away */
  restore(saved: unknown, utc: UtcMillis | undefined): void {
    const before = readEnergy(saved, this.options.battery)
    if (!before) return
    const { rules } = this.options.plan
    const recovered = rules.reservePercent + rules.resumePoints
    const wasLow = before.percent !== undefined && before.percent < recovered
    const isCut = !before.clean && wasLow
    this.before = before.percent
    if (before.sign) this.check = { ...newCheck, sign: before.sign }
    this.ports.plan.restore(before.step)
    this.state = {
      charge: before.charge,
      ledger: before.ledger,
      panel: before.panel,
      harvest: before.harvest,
      afterHardCut: isCut || (before.afterHardCut && wasLow),
      hardCuts: before.hardCuts + (isCut ? 1 : 0),
    }
    this.leaveOut(before.utc, utc)
    if (!isCut) return
    this.ports.plan.restore('heartbeat')
    this.ports.tell('hard-cut', {
      times: String(this.state.hardCuts),
      charge_percent: before.percent!.toFixed(1),
    })
  }

  private leaveOut(from: UtcMillis | undefined, to: UtcMillis | undefined): void {
    const { battery } = this.options
    const known = from === undefined || to === undefined ? undefined : (to - from) / 1000
    const seconds = Math.max(longestStepSeconds + 1, known ?? unknownGapSeconds)
    // A mean of voltages from before the gap says nothing of now.
    const charge = this.state.charge && { ...this.state.charge, smoothVolts: undefined }
    if (charge) this.state = { ...this.state, charge: stepCharge(charge, {}, seconds, battery) }
  }

  save(now: MonoSeconds, clean: boolean): SavedEnergy {
    return {
      v: 1,
      ...this.state,
      sign: this.check.sign,
      step: this.ports.plan.step,
      percent: this.percent ?? this.before,
      clean,
      utc: this.ports.utcAt(now),
    }
  }

  // ---- once a minute ----------------------------------------------------------------------------------------------------

  get estimate(): ChargeEstimate | undefined {
    return this.state.charge && chargeEstimate(this.state.charge, this.options.battery)
  }

  /** Gives the estimate to the records like any gauge; nothing before there is one. */
  chargeGauge(): Gauge {
    return {
      name: 'state of charge',
      read: () => {
        const { estimate } = this
        const value = estimate && good(estimate.percent)
        return Promise.resolve(value ? [{ channel: 'state_of_charge', value }] : [])
      },
    }
  }

  /**
   * The charge that decisions rest on: a standard error below the estimate where it is counted, and the middle of the range where
   * nothing but a voltage ever told it: its lower end would keep every station asleep for ever.
   */
  get percent(): number | undefined {
    const { estimate } = this
    if (!estimate) return undefined
    if (estimate.restsOn === 'voltage only' || estimate.lastAnchor === 'none') return estimate.percent
    return (estimate.percent + estimate.lowPercent) / 2
  }

  /** After the gauges were asked at `now`. */
  look(now: MonoSeconds): void {
    const seconds = this.lookedAt === undefined ? 0 : secondsBetween(this.lookedAt, now)
    this.lookedAt = now
    const utc = this.ports.utcAt(now)
    const { battery, panel } = this.options
    const sky = panel && utc !== undefined ? clearPanelWatts(panel, utc) : undefined
    const sun = sky && { elevationDegrees: sky.sun.elevationDegrees, clearWatts: sky.watts }
    this.read(now, sun, seconds)
    const celsius = this.ports.temperatureC(now)
    const seen = { ...this.reading, ...(Number.isNaN(celsius) ? {} : { celsius }) }
    this.state = { ...this.state, charge: stepCharge(this.state.charge!, seen, seconds, battery) }
    this.raise('charging-cold', chargingBelowFreezing(seen, battery) ? `${celsius} °C` : undefined, now)
    this.book(now, utc, sun, Math.min(seconds, longestStepSeconds))
    this.decide(now, sun)
  }

  private read(now: MonoSeconds, sun: SunNow | undefined, seconds: number): void {
    const { battery, panel } = this.options
    const { gaugeAt } = this.ports
    const read = {
      volts: gaugeAt('battery_voltage', now),
      amperes: gaugeAt('battery_current', now),
      solarWatts: gaugeAt('solar_power', now),
    }
    const spec = { ...battery, panelWatts: panel?.panelWatts, chargingVolts: chargingVolts(battery) }
    const checked = checkPower(this.check, read, spec, sun, seconds)
    this.check = checked.state
    this.reading = checked.reading
    for (const code of checkFaults) {
      const fault = checked.faults.find((one) => one.code === code)
      this.raise(code, fault?.detail, now)
    }
  }

  private raise(code: FaultCode, detail: string | undefined, now: MonoSeconds): void {
    const { faults } = this.ports
    if (detail === undefined) faults.clear(where, code)
    else faults.raise(where, { code, detail } satisfies Fault, now)
  }

  private book(now: MonoSeconds, utc: UtcMillis | undefined, sun: SunNow | undefined, seconds: number): void {
    const { load, plan } = this.options
    const offset = plan.standardOffsetMinutes * 60_000
    const month = utc === undefined ? 0 : new Date(utc + offset).getUTCMonth()
    this.month = month
    const books: EnergyBooks = {
      hour: Math.floor((utc === undefined ? now * 1000 : utc + offset) / 3_600_000),
      seconds,
      reading: this.reading,
      sun,
      isFull: this.state.charge!.fullSeconds > 0,
      expectedWattHours: this.outlook?.table.normal[month] ?? 0,
      consumers: {
        board: load.boardWatts,
        sensor: this.ports.plan.running ? load.sensorWatts : 0,
        modem: load.modemWatts * (this.ports.modem?.watts ?? 1),
      },
    }
    this.state = bookEnergy(this.state, books, {
      tell: this.ports.tell,
      fault: (code, detail) => this.raise(code, detail, now),
    })
    const { harvest } = this.state
    this.unshaded = this.outlook ? unshadedShare(harvest, this.outlook.clear, month) : 1
    this.forecast = forecastHarvest(harvest, this.outlook?.table, month, this.unshaded)
  }

  /** What the plan sees; also for whoever asks how long the battery will last. */
  view(): Omit<PlanView, 'now' | 'isMidnight'> {
    const { battery, load } = this.options
    const { chargeEfficiency } = battery.chemistry
    const capacityWattHours = this.state.charge!.capacityAmpereHours * battery.nominalVolts
    const cutOff = this.options.plan.rules.cutOffPercent
    const { outlook } = this
    return {
      percent: this.percent,
      capacityWattHours,
      ...(outlook
        ? { darkPercent: cutOff + (100 * outlook.dark(this.unshaded)[this.month]) / capacityWattHours }
        : {}),
      badSpellWattHours: this.forecast.badSpellWattHours * chargeEfficiency,
      boardWattHours: 24 * (load.boardWatts + load.modemWatts),
      sensorWattHours: 24 * load.sensorWatts,
      afterHardCut: this.state.afterHardCut,
    }
  }

  /** Days until the reserve; undefined where the panel carries the load. */
  daysToReserve(harvestWattHours: number): number | undefined {
    const { plan } = this.ports
    const view = { ...this.view(), badSpellWattHours: harvestWattHours }
    return daysToReserve(view, this.options.plan.rules, plan.step)
  }

  private decide(now: MonoSeconds, sun: SunNow | undefined): void {
    const { plan, boardOff } = this.ports
    const { rules } = this.options.plan
    const { percent } = this
    if (percent !== undefined && percent >= rules.reservePercent + rules.resumePoints)
      this.state = { ...this.state, afterHardCut: false }
    plan.look(this.view(), now)
    const isReduced = plan.isProtecting && plan.step !== 'continuous'
    this.raise('sampling-reduced', isReduced ? `${plan.step} (${plan.reason})` : undefined, now)
    const isBlind = plan.isProtecting && percent === undefined
    this.raise('charge-unknown', isBlind ? 'no voltage was read yet' : undefined, now)
    this.raise(
      'hard-cut',
      this.state.afterHardCut ? `start ${this.state.hardCuts} of its kind` : undefined,
      now,
    )
    boardOff?.look(percent !== undefined && percent < rules.cutOffPercent, secondsToSun(sun), now)
  }

  report(): Record<string, unknown> {
    return energyReport(this)
  }
}

/** By day soon, by night in the morning: without a sun it is looked again after six hours. */
const secondsToSun = (sun: SunNow | undefined): number =>
  sun && sun.clearWatts > 0 ? morningSeconds * 2 : sunWakeSeconds
