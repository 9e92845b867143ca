import { TimeLine, type TimeLineOptions } from '../clock/clock.js'
import type { MonoSeconds } from '../terms/terms.js'
import type { Parts } from './parts.js'

/** The lines that tell the time: what they say is heard by the clock, why they do not is told in health. */
export class TimeSources {
  private readonly lines: readonly TimeLine[]

  constructor({ clock, faults, inFlight }: Parts, lines: readonly TimeLineOptions[], now: MonoSeconds) {
    this.lines = lines.map(
      (options) =>
        new TimeLine(
          options,
          now,
          (work) => inFlight.track(work),
          (at, news) => {
            if ('claim' in news) {
              clock.hear(news.claim)
              return faults.clear(options.source, 'clock-source-silent')
            }
            const detail = `${options.source} at ${options.line.name}: ${news.silent}`
            faults.raise(options.source, { code: 'clock-source-silent', detail }, at)
          },
        ),
    )
  }

  tick(now: MonoSeconds): void {
    for (const line of this.lines) line.tick(now)
  }

  async stop(): Promise<void> {
    await Promise.all(this.lines.map((line) => line.stop()))
  }
}
