/** Frames a CPU second through the path that each of them takes: line, decoder, screening, minute. Bytes are made before. */
import { FaultBoard } from '../../agent/health/health.js'
import { createDecoder, readingBytes } from '../../agent/instruments/instruments.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import { usualScreening } from '../../agent/screening/screening.js'
import { InstrumentRunner, usualSilence } from '../../agent/station/instrument-runner.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { good, utcMillis, type ByteLine } from '../../agent/terms/terms.js'
import { FrameLine, madeFrames, value } from './endurance.js'

const minutesOfDay = 1440
const pullEverySeconds = 10

/** @param days how long; the line is pulled every ten seconds and a minute is closed each minute, as in the year */
export async function frameSpeed(days: number): Promise<number> {
  const clock = new VirtualClock({ bootId: 'b'.repeat(36), mono: 0, utc: utcMillis(0) })
  const line = new FrameLine(madeFrames(86_400, 7), clock)
  const layout = value(loadLayout('frames-424d-32'))
  const runner = new InstrumentRunner(
    { ...usualSilence, name: 'sensor', screening: usualScreening, frameBytes: readingBytes(layout) },
    { name: 'made', open: () => Promise.resolve(good<ByteLine>(line)) },
    (sink) => createDecoder(layout, { sink }),
    new FaultBoard(() => undefined),
    () => undefined,
    clock.mono(),
    { tell: () => undefined, temperatureC: () => NaN },
  )
  runner.pull(clock.mono())
  await new Promise((resolve) => setImmediate(resolve))
  const minute = new Float64Array(200)
  const before = process.cpuUsage()
  for (let n = 1; n <= days * minutesOfDay; n++) liveMinute(runner, clock, n, minute)
  const used = process.cpuUsage(before)
  return runner.screen.counts().taken / ((used.user + used.system) / 1e6)
}

function liveMinute(runner: InstrumentRunner, clock: VirtualClock, n: number, minute: Float64Array): void {
  for (let second = pullEverySeconds; second <= 60; second += pullEverySeconds) {
    clock.set(((n - 1) * 60 + second) as never)
    runner.pull(clock.mono(), second === 60)
  }
  runner.closeMinute(clock.mono(), 60, minute, 0)
}
