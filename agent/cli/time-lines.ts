/** The lines of the settings that tell the time, and what is known of their errors. */
import { realpathSync } from 'node:fs'
import { modemClockAsk, readModemClock, readRmc, type TimeLineOptions } from '../clock/clock.js'
import type { ModemPort } from '../hardware/modem.js'
import { serialLine } from '../hardware/serial-line.js'
import { tcpLine } from '../hardware/tcp-line.js'
import type { Settings } from '../settings/settings.js'
import { portKind, type LineFactory } from '../terms/terms.js'
import { hostOf } from './broker-address.js'

/** A sentence comes within the second after its time (common practice, no source). */
const satellite = { lateSeconds: 0.5, errorSeconds: 0.5 }
/** Networks promise no more than minutes, most are within seconds (common practice, no source). */
const modem = { lateSeconds: 0.5, errorSeconds: 60 }

/** @param modemPort of the messages: where the clock asks the same modem, it asks there, for a port has one owner */
export function timeLinesOf({ clock, delivery }: Settings, modemPort?: ModemPort): TimeLineOptions[] {
  const lines: TimeLineOptions[] = []
  if (clock.satellite) {
    const { port, baud, everyMinutes } = clock.satellite
    const line = lineTo(port, baud)
    lines.push({ source: 'satellite', line, read: readRmc, everySeconds: everyMinutes * 60, ...satellite })
  }
  if (clock.modem) {
    const { port, baud, everyMinutes } = clock.modem
    const isShared = modemPort && delivery?.sms && isSameDevice(port, delivery.sms.port)
    const line = isShared ? modemPort.clockLine() : lineTo(port, baud)
    const asked = { ask: modemClockAsk, read: readModemClock }
    lines.push({ source: 'modem', line, ...asked, everySeconds: everyMinutes * 60, ...modem })
  }
  return lines
}

/** A device has several names: its own, and links by identity and by place. */
function isSameDevice(one: string, other: string): boolean {
  if (one === other) return true
  try {
    return realpathSync(one) === realpathSync(other)
  } catch {
    return false
  }
}

function lineTo(port: string, baud: number): LineFactory {
  if (portKind(port) !== 'tcp') return serialLine(port, baud)
  const at = new URL(port)
  return tcpLine(hostOf(at), Number(at.port))
}
