import type { SettingsFile } from './schema.js'

/** A pair of commands, each a program and its words. */
export interface SwitchSettings {
  readonly on: readonly string[]
  readonly off: readonly string[]
  readonly limitSeconds: number
}

export interface PowerSettings {
  readonly battery: {
    readonly chemistry: 'lead-acid' | 'lifepo4'
    readonly capacityAh: number
    readonly nominalVolts: number
  }
  readonly panel?: {
    readonly peakWatts: number
    readonly latitudeDegrees: number
    readonly longitudeDegrees: number
    readonly tiltDegrees: number
    readonly azimuthDegrees?: number
  }
  readonly load: { readonly boardWatts: number; readonly sensorWatts: number; readonly modemWatts: number }
  readonly plan: 'continuous' | '5-of-15' | '5-of-60' | 'heartbeat' | 'protecting'
  readonly richerWhenAlerted: boolean
  /** Absent: as the chemistry has it. */
  readonly reservePercent?: number
  readonly cutOffPercent?: number
  readonly resumePoints: number
  readonly modem?: {
    readonly switch?: SwitchSettings
    readonly everyMinutes: number
    readonly onMinutes: number
    readonly fromHours: number
    readonly toHours: number
  }
  readonly boardOff?: {
    readonly command: readonly string[]
    /** One of the two is there. */
    readonly wakeAlarm?: string
    readonly wakeSwitch?: readonly string[]
    readonly limitSeconds: number
  }
}

type PowerFile = NonNullable<SettingsFile['power']>

export const switchOf = ({
  on,
  off,
  limit_s,
}: {
  readonly on: string[]
  readonly off: string[]
  readonly limit_s: number
}): SwitchSettings => ({ on, off, limitSeconds: limit_s })

export function powerOf(file: PowerFile): PowerSettings {
  const { battery, load, reserve_percent, cut_off_percent } = file
  return {
    battery: {
      chemistry: battery.chemistry,
      capacityAh: battery.capacity_ah,
      nominalVolts: battery.nominal_v,
    },
    ...(file.panel ? { panel: panelOf(file.panel) } : {}),
    load: { boardWatts: load.board_w, sensorWatts: load.sensor_w, modemWatts: load.modem_w },
    plan: file.plan,
    richerWhenAlerted: file.richer_when_alerted,
    ...(reserve_percent === undefined ? {} : { reservePercent: reserve_percent }),
    ...(cut_off_percent === undefined ? {} : { cutOffPercent: cut_off_percent }),
    resumePoints: file.resume_points,
    ...(file.modem ? { modem: modemOf(file.modem) } : {}),
    ...(file.board_off ? { boardOff: boardOffOf(file.board_off) } : {}),
  }
}

const panelOf = (panel: NonNullable<PowerFile['panel']>): PowerSettings['panel'] => ({
  peakWatts: panel.peak_w,
  latitudeDegrees: panel.latitude_deg,
  longitudeDegrees: panel.longitude_deg,
  tiltDegrees: panel.tilt_deg,
  ...(panel.azimuth_deg === undefined ? {} : { azimuthDegrees: panel.azimuth_deg }),
})

const modemOf = (modem: NonNullable<PowerFile['modem']>): PowerSettings['modem'] => ({
  ...(modem.switch ? { switch: switchOf(modem.switch) } : {}),
  everyMinutes: modem.every_min,
  onMinutes: modem.on_min,
  fromHours: modem.from_h,
  toHours: modem.to_h,
})

const boardOffOf = (off: NonNullable<PowerFile['board_off']>): PowerSettings['boardOff'] => ({
  command: off.command,
  ...(off.wake_alarm === undefined ? {} : { wakeAlarm: off.wake_alarm }),
  ...(off.wake_switch === undefined ? {} : { wakeSwitch: off.wake_switch }),
  limitSeconds: off.limit_s,
})
