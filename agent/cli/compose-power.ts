import { join } from 'node:path'
import { BoardPowerCommand } from '../hardware/board-power.js'
import { SystemClock } from '../hardware/clock.js'
import { onOffSwitch } from '../hardware/on-off-switch.js'
import { rtcAlarm, wakeSwitch } from '../hardware/wake-path.js'
import { chemistries, panelYield, usualRules } from '../power/power.js'
import type { PowerSettings, Settings, SwitchSettings } from '../settings/settings.js'
import type { StationOptions, StationPorts } from '../station/station.js'
import type { OnOffSwitch } from '../terms/terms.js'

/** Battery, sun, plan and modem of a station as its settings have them. */

/** Of a usual shunt and converter (common practice): share of the value, and share of the capacity in A. */
const gaugeGainError = 0.02
const gaugeOffsetShare = 0.002

export function energyOptions(
  { power }: Settings,
  standardOffsetMinutes: number,
): Pick<StationOptions, 'energy' | 'modem'> {
  if (!power) return {}
  const { battery, load, modem } = power
  const chemistry = chemistries[battery.chemistry]
  const energy = {
    battery: {
      chemistry,
      capacityAmpereHours: battery.capacityAh,
      nominalVolts: battery.nominalVolts,
      gaugeGainError,
      gaugeOffsetAmperes: Math.max(0.02, gaugeOffsetShare * battery.capacityAh),
    },
    panel: panelOf(power),
    load,
    plan: {
      plan: power.plan,
      richerWhenAlerted: power.richerWhenAlerted,
      standardOffsetMinutes,
      rules: {
        ...usualRules,
        resumePoints: power.resumePoints,
        reservePercent: power.reservePercent ?? chemistry.reservePercent,
        cutOffPercent: power.cutOffPercent ?? chemistry.cutOffPercent,
      },
    },
  }
  if (!modem) return { energy }
  const { everyMinutes, onMinutes, fromHours, toHours } = modem
  return { energy, modem: { everyMinutes, onMinutes, fromHours, toHours, standardOffsetMinutes } }
}

function panelOf({ panel }: PowerSettings) {
  if (!panel) return undefined
  const { peakWatts: panelWatts, latitudeDegrees, longitudeDegrees, tiltDegrees } = panel
  const azimuthDegrees = panel.azimuthDegrees ?? (latitudeDegrees >= 0 ? 180 : 0)
  return {
    latitudeDegrees,
    longitudeDegrees,
    tiltDegrees,
    azimuthDegrees,
    panelWatts,
    yieldShare: panelYield,
  }
}

export const switchPort = (settings: SwitchSettings | undefined): OnOffSwitch | undefined =>
  settings && onOffSwitch(settings.on, settings.off, settings.limitSeconds)

export const powerPorts = (settings: Settings): Pick<StationPorts, 'modem' | 'board'> => ({
  modem: switchPort(settings.power?.modem?.switch),
  board: boardPowerOf(settings),
})

/** Its trial, and what that showed, stand in the data folder. */
export function boardPowerOf({ power, data, clock }: Settings): BoardPowerCommand | undefined {
  const off = power?.boardOff
  if (!off) return undefined
  const { command, limitSeconds, wakeAlarm, wakeSwitch: words } = off
  const path = words ? wakeSwitch(words, limitSeconds) : rtcAlarm(wakeAlarm!, () => Date.now())
  const files = {
    proofFile: join(data.folder, 'wake-proof.json'),
    trialFile: join(data.folder, 'wake-trial.json'),
  }
  const boardClock = new SystemClock(clock.trust, clock.ntpFile)
  return new BoardPowerCommand({ command, limitSeconds, ...files }, path, boardClock)
}
