import type { Act } from './command-watch.js'

/** Which settings a station runs on. */
export interface SettingsInForce {
  /** The person's own file alone; with settings from afar over it that are kept; or with such that are on trial. */
  readonly from: 'file' | 'pushed' | 'trial'
  /** Of the trial by which they came, and the name of the key that signed them. */
  readonly id?: string
  readonly by?: string
  /** Of a trial. */
  readonly left_s?: number
}

/** Settings from afar, as whoever runs the station sees to them. */
export interface SettingsFromAfar {
  readonly act: (input: Readonly<Record<string, unknown>>, by: string) => Promise<Act>
  readonly inForce: () => SettingsInForce
}
