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
import { keepLastGood } from './keep-last-good.js'
import { prepareApart } from './prepare-apart.js'

/** The whole stop, whatever hangs: the service manager's patience is longer. */
const stopLimitSeconds = 4

/**
 * Runs a station until a signal ends it.
 * @returns exit code: 0 ended as asked, 1 a part could not be opened, 2 settings that cannot be used
 */
export async function run(file: string): Promise<number> {
  const { plan, wrong, notes } = await prepareApart(file)
  for (const line of [...wrong, ...notes]) process.stderr.write(line + '\n')
  if (!plan) return 2
  const works = wrong.length === 0
  if (!works)
    process.stderr.write('Starting with the settings that last worked. Correct the file and restart.\n')
  const { settings } = plan
  const log = standardLog(settings.log.level)
  const locked = await lockData(settings)
  if (!locked.ok) return refuse(locked.fault)
  const clock = new SystemClock(settings.clock.trust)
  const station = await composeStation(plan, clock, log)
  if (!station.ok) return refuse(station.fault)
  if (works) keepLastGood(file, plan.text)
  else station.value.faults.raise('settings', { code: 'settings-invalid', detail: wrong[0] }, clock.mono())
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
    station.tick()
  })
}
