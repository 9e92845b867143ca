import type { ScreeningOptions } from '../screening/screening.js'
import type { MonoSeconds, PowerSwitch } from '../terms/terms.js'
import type { PowerCycleOptions } from './power-cycling.js'
import type { SleepWays } from './sensor-sleep.js'

export interface InstrumentOptions {
  /** For people and as the place of its faults, e.g. 'sensor 1'. */
  readonly name: string
  readonly slot?: string
  /** Sensors of one box are compared with each other. */
  readonly box?: string
  /** The line is read, and a polled sensor asked, so often; absent: at each pull. */
  readonly readEverySeconds?: number
  readonly screening: ScreeningOptions
  /** Rough length of a frame in bytes, to spread the frames of one pull over its time; 0: count line ends. */
  readonly frameBytes: number
  /** Sent after each opening, and again every `silentAfterSeconds` while nothing comes. */
  readonly wake?: Uint8Array
  /** Asks for one reading, where the sensor does not send by itself. */
  readonly ask?: Uint8Array
  /** Sent when the agent stops. */
  readonly sleep?: Uint8Array
  /** Sent so often; the readings after it are warm-up. */
  readonly clean?: { readonly bytes: Uint8Array; readonly everySeconds: number }
  readonly powerCycle?: PowerCycleOptions
  /** How the sampling plan puts it to sleep; absent: it is only not read. */
  readonly planned?: SleepWays
  readonly silentAfterSeconds: number
  readonly reopenAfterSeconds: number
  /** Attempts to open come ever more slowly, down to one in so many seconds. */
  readonly longestRetrySeconds: number
}

/** A device that came back is found within five seconds; looking for it costs one system call. */
export const usualSilence = { silentAfterSeconds: 10, reopenAfterSeconds: 30, longestRetrySeconds: 5 }

/** What a runner gets from the station around it. */
export interface RunnerPorts {
  readonly power?: PowerSwitch
  /** Writes an event line. */
  readonly tell: (name: string, details: Readonly<Record<string, string>>) => void
  /** Temperature of the air outside, °C; NaN when nothing measures it. */
  readonly temperatureC: (now: MonoSeconds) => number
}
