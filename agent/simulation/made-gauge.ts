import { good, type Clock, type Gauge, type GaugeReading } from '../terms/terms.js'

/** An invented gauge: each channel a function of site time. */
export class MadeGauge implements Gauge {
  constructor(
    readonly name: string,
    private readonly clock: Clock,
    private readonly siteTime: (mono: number) => number,
    private readonly channels: Readonly<Record<string, (siteSeconds: number) => number>>,
  ) {}

  read(): Promise<readonly GaugeReading[]> {
    const at = this.siteTime(this.clock.mono())
    return Promise.resolve(
      Object.entries(this.channels).map(([channel, of]) => ({ channel, value: good(of(at)) })),
    )
  }
}
