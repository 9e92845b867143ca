import type { StationClock } from '../clock/clock.js'
import type { FaultBoard } from '../health/health.js'
import type { InFlight } from '../terms/terms.js'
import { BoardOff } from './board-off.js'
import { EnergyWatch } from './energy-watch.js'
import { gaugeChannel, GaugeRunner } from './gauge-runner.js'
import type { InstrumentRunner } from './instrument-runner.js'
import { ModemHours } from './modem-hours.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Hooks } from './parts.js'
import { SamplingPlan } from './sampling-plan.js'
import type { SurroundingsWatch } from './surroundings-watch.js'

const chargeKey = 'state_of_charge'

/** The estimate in the records, like a gauge; none where a gauge of its own tells the charge. */
export function chargeRunner(
  { energy: options }: StationOptions,
  asked: readonly GaugeRunner[],
  energy: () => EnergyWatch | undefined,
  faults: FaultBoard,
): GaugeRunner | undefined {
  const isTold = asked.some(({ channels }) => channels.some(({ key }) => key === chargeKey))
  if (!options || isTold) return undefined
  const gauge = {
    name: 'battery',
    read: () => energy()?.chargeGauge().read() ?? Promise.resolve([]),
  }
  return new GaugeRunner(gauge, [gaugeChannel(chargeKey)], faults)
}

interface Around {
  readonly clock: StationClock
  readonly faults: FaultBoard
  readonly inFlight: InFlight
  readonly gauges: readonly GaugeRunner[]
  readonly instruments: readonly InstrumentRunner[]
  readonly surroundings: SurroundingsWatch
  /** An alert of what the instruments measure stands. */
  readonly alerted: () => boolean
}

/** Battery, plan, modem and board of a station, as far as its settings have them. */
export function makeEnergy(
  options: StationOptions,
  ports: StationPorts,
  hooks: Hooks,
  around: Around,
): { energy: EnergyWatch | undefined; modem: ModemHours | undefined } {
  const { clock, faults, inFlight, gauges, instruments, surroundings, alerted } = around
  const mono = () => ports.clock.mono()
  const utcAt = (now: Parameters<StationClock['at']>[0]) => clock.at(now)
  const tell = (name: string, details: Readonly<Record<string, string>>) =>
    void hooks.event(mono(), name, details)
  const track = (work: Promise<unknown>) => inFlight.track(work)
  const modem = options.modem && new ModemHours(options.modem, ports.modem, faults, utcAt, track)
  if (!options.energy) return { energy: undefined, modem }
  const { board } = ports
  const boardOff = board && new BoardOff({ board, faults, tell, makeSafe: hooks.makeSafe, track })
  const energy = new EnergyWatch(options.energy, {
    gaugeAt: (key, now) => {
      const last = gauges.map((gauge) => gauge.last(key)).find((value) => value !== undefined)
      return last?.at === now ? last.value : undefined
    },
    temperatureC: (now) => surroundings.temperatureC(now),
    utcAt,
    faults,
    tell,
    plan: new SamplingPlan(options.energy.plan, { sensors: instruments, utcAt, alerted, tell }),
    modem,
    boardOff,
  })
  return { energy, modem }
}
