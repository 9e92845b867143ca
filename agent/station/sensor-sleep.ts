import type { FaultBoard } from '../health/health.js'
import type { MonoSeconds, OnOffSwitch } from '../terms/terms.js'

/** How a sensor is put to sleep by the sampling plan: by its own command, by its supply, or by not reading it. */
export interface SleepWays {
  readonly command?: Uint8Array
  readonly supply?: OnOffSwitch
}

/** Whether a sensor sleeps, and what is sent or switched for it. */
export class SensorSleep {
  asleep = false
  private supplied: boolean | undefined

  constructor(
    private readonly ways: SleepWays,
    private readonly where: string,
    private readonly faults: FaultBoard,
    private readonly track: (work: Promise<unknown>) => void,
  ) {}

  get by(): 'switch' | 'command' | 'nothing' {
    if (this.ways.supply) return 'switch'
    return this.ways.command ? 'command' : 'nothing'
  }

  /** The sensor keeps its supply while it sleeps, and needs less of a warm-up. */
  get keepsSupply(): boolean {
    return this.ways.supply === undefined
  }

  /** Goes out at each falling asleep, and after each opening of the line meanwhile. */
  get command(): Uint8Array | undefined {
    return this.ways.command
  }

  /** The first call switches whatever the switch did before; later ones only what changed. */
  supply(on: boolean, now: MonoSeconds): void {
    const { supply } = this.ways
    if (!supply || this.supplied === on) return
    this.supplied = on
    this.track(
      supply.set(on).then((switched) => {
        if (switched.ok) return this.faults.clear(this.where, 'sensor-switch-failed')
        this.supplied = undefined
        this.faults.raise(this.where, switched.fault, now)
      }),
    )
  }
}
