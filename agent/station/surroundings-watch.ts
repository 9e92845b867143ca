import type { FaultBoard } from '../health/health.js'
import type { Surroundings } from '../screening/screening.js'
import type { MonoSeconds, SupplySign } from '../terms/terms.js'
import type { GaugeRunner, TimedValue } from './gauge-runner.js'

/** A gauge is asked once a minute; a value that missed five askings says nothing of the air now. */
const oldAfterSeconds = 300
const where = 'supply'

/** Which gauges tell what surrounds the inlet: the slot says so. The board's own temperature is no weather. */
const humidityKey = 'humidity.outside'
const temperatureKeys = ['temperature.outside', 'temperature']

/**
 * What the station knows beside the frames, brought to every screen once a minute: humidity outside and a low supply.
 * What is missing or old marks nothing, and health says which of the two it is.
 */
export class SurroundingsWatch {
  private low: boolean | undefined

  constructor(
    private readonly gauges: readonly GaugeRunner[],
    private readonly screens: readonly { readonly surroundings: Surroundings }[],
    private readonly supply: SupplySign | undefined,
    private readonly faults: FaultBoard,
  ) {}

  /** After the gauges were asked. */
  async look(now: MonoSeconds): Promise<void> {
    if (this.supply) await this.lookAtSupply(this.supply, now)
    const humidityPercent = this.humidityPercent(now)
    for (const { surroundings } of this.screens) {
      surroundings.humidityPercent = humidityPercent
      surroundings.lowSupply = this.low === true
    }
  }

  private async lookAtSupply(supply: SupplySign, now: MonoSeconds): Promise<void> {
    const low = await supply.isLow()
    this.low = low.ok ? low.value : undefined
    if (low.ok) this.faults.clear(where, 'gauge-missing')
    else this.faults.raise(where, low.fault, now)
    if (this.low) this.faults.raise(where, { code: 'supply-low', detail: supply.name }, now)
    else this.faults.clear(where, 'supply-low')
  }

  /** Relative humidity outside, %; NaN when nothing measures it now. */
  humidityPercent(now: MonoSeconds): number {
    return this.fresh([humidityKey], now)
  }

  /** Temperature outside, °C; NaN when nothing measures it now. */
  temperatureC(now: MonoSeconds): number {
    return this.fresh(temperatureKeys, now)
  }

  private fresh(keys: readonly string[], now: MonoSeconds): number {
    for (const key of keys) {
      const last = this.last(key)
      if (last && now - last.at <= oldAfterSeconds) return last.value
    }
    return NaN
  }

  private last(key: string): TimedValue | undefined {
    for (const gauge of this.gauges) {
      const last = gauge.last(key)
      if (last) return last
    }
    return undefined
  }

  report(now: MonoSeconds): Record<string, unknown> {
    const last = this.last(humidityKey)
    const age = last && Math.round(now - last.at)
    return {
      humidity_outside:
        last === undefined
          ? { state: 'not measured' }
          : { state: age! > oldAfterSeconds ? 'old' : 'fresh', percent: last.value, age_s: age },
      supply: this.low === undefined ? 'not known' : this.low ? 'low' : 'fine',
    }
  }
}
