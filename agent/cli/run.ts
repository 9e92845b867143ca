import { SystemClock } from '../hardware/clock.js'
import { lockFolder } from '../hardware/lock.js'
import { standardLog } from '../hardware/log.js'
import { startTicker } from '../hardware/ticker.js'
import { withLimit } from '../hardware/limit.js'
import { openFolder } from '../hardware/disk.js'
import type { Settings } from '../settings/settings.js'
import type { Station } from '../station/station.js'
import { faultText, type Log } from '../terms/terms.js'
import { composeStation } from './compose.js'
import { keepLastGood, readLastGood } from './last-good.js'
import { readSettingsFile } from './read-settings.js'

/** The whole stop, whatever hangs: the service manager's patience is longer. */
const stopLimitSeconds = 4

/**
 * Runs a station until a signal ends it.
 * @returns exit code: 0 ended as asked, 1 a part could not be opened, 2 settings that cannot be used
 */
export async function run(file: string): Promise<number> {
  const read = readSettingsFile(file)
  const usable = read.ok ? read : readLastGood(file)
  if (!read.ok) for (const line of read.lines) process.stderr.write(line + '\n')
  if (!usable) return 2
  if (read.ok) for (const note of read.notes) process.stderr.write(note + '\n')
  else process.stderr.write('Starting with the settings that last worked. Correct the file and restart.\n')
  const log = standardLog(usable.settings.log.level)
  const locked = await lockData(usable.settings)
  if (!locked.ok) return refuse(locked.fault)
  const clock = new SystemClock(usable.settings.clock.trust)
  const station = await composeStation(usable.settings, clock, log)
  if (!station.ok) return refuse(station.fault)
  if (read.ok) keepLastGood(file, read.text)
  else
    station.value.faults.raise('settings', { code: 'settings-invalid', detail: read.lines[0] }, clock.mono())
  return live(station.value, clock, log)
}

function refuse(fault: Parameters<typeof faultText>[0]): number {
  process.stderr.write(faultText(fault) + '\n')
  return 1
}

async function lockData(settings: Settings) {
  const disk = await openFolder(settings.data.folder, { create: true })
  return disk.ok ? lockFolder(settings.data.folder) : disk
}

function live(station: Station, clock: SystemClock, log: Log): Promise<number> {
  return new Promise((resolve) => {
    let ending = false
    const ticker = startTicker(
      clock,
      () => station.nextTickAt,
      () => station.tick(),
    )
    const end = (reason: string, code: number): void => {
      if (ending) return
      ending = true
      ticker.stop()
      void withLimit(station.stop(reason), stopLimitSeconds).then((ended) => {
        log.info(`stopped: ${reason}`, ended === 'late' ? { hung_after_s: stopLimitSeconds } : {})
        resolve(code)
      })
    }
    process.on('SIGTERM', () => end('SIGTERM', 0))
    process.on('SIGINT', () => end('SIGINT', 0))
    // A bug of ours must not lose what is in memory: save, and let the service manager start anew.
    process.on('uncaughtException', (error) => {
      log.warn('internal error', { stack: error.stack })
      end('internal error', 70)
    })
    log.info('running', { station: station.name, store: station.storeId })
  })
}
