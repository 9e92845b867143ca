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
import { openControl } from './control.js'
import { keepLastGood } from './keep-last-good.js'
import { stampOf, watchFile } from './watch-file.js'
import type { Preparation } from './preparation.js'
import { prepareApart } from './prepare-apart.js'

/** The whole stop, whatever hangs: the service manager's patience is longer. */
const stopLimitSeconds = 4

/**
 * Runs a station until a signal ends it; on settings that last worked, until the file is mended and then on that.
 * @returns exit code: 0 ended as asked, 1 a part could not be opened, 2 settings that cannot be used
 */
export async function run(file: string, preparing = prepareApart(file)): Promise<number> {
  for (let preparation = preparing; ; preparation = prepareApart(file)) {
    const stamp = stampOf(file)
    const ended = await runOnce(file, stamp, await preparation)
    if (ended !== 'mended') return ended
  }
}

async function runOnce(file: string, stamp: string, preparation: Preparation): Promise<number | 'mended'> {
  const { plan, wrong, notes } = preparation
  tell([...wrong, ...notes])
  if (!plan) return 2
  const works = wrong.length === 0
  if (!works)
    tell(['Starting with the settings that last worked. Correct the file: it is taken up when it is well.'])
  const { settings } = plan
  const log = standardLog(settings.log.level)
  const locked = await lockData(settings)
  if (!locked.ok) return refuse(locked.fault)
  const control = await openControl(settings)
  if (!control.ok) return refuse(control.fault)
  const clock = new SystemClock(settings.clock.trust, settings.clock.ntpFile)
  const station = await composeStation(plan, clock, log)
  if (!station.ok) {
    await control.value.close()
    return refuse(station.fault)
  }
  control.value.serve(station.value)
  if (control.value.fault) station.value.faults.raise('control', control.value.fault, clock.mono())
  if (works) keepLastGood(file, plan.text)
  else blame(station.value, clock, wrong[0])
  const code = await live(station.value, clock, log, works ? undefined : { file, stamp })
  await control.value.close()
  locked.value.release()
  return code
}

const tell = (lines: readonly string[]): void => {
  for (const line of lines) process.stderr.write(line + '\n')
}

function blame(station: Station, clock: SystemClock, words: string): void {
  station.faults.raise('settings', { code: 'settings-invalid', detail: words }, clock.mono())
}

function refuse(fault: Parameters<typeof faultText>[0]): number {
  process.stderr.write(faultText(fault) + '\n')
  return 1
}

async function lockData(settings: Settings) {
  const disk = await openFolder(settings.data.folder, { create: true })
  return disk.ok ? lockFolder(settings.data.folder) : disk
}

interface BrokenFile {
  readonly file: string
  /** What it was when it was read. */
  readonly stamp: string
}

/** @param broken the settings file, where the station runs on those that last worked. */
function live(
  station: Station,
  clock: SystemClock,
  log: Log,
  broken: BrokenFile | undefined,
): Promise<number | 'mended'> {
  return new Promise((resolve) => {
    const over = new AbortController()
    const ticker = startTicker(
      clock,
      () => station.nextTickAt,
      () => station.tick(),
    )
    const end = (reason: string, code: number | 'mended'): void => {
      if (over.signal.aborted) return
      over.abort()
      ticker.stop()
      void withLimit(station.stop(reason), stopLimitSeconds).then((ended) => {
        log.info(`stopped: ${reason}`, ended === 'late' ? { hung_after_s: stopLimitSeconds } : {})
        release()
        resolve(code)
      })
    }
    const release = onEnd(end, log)
    if (broken !== undefined)
      untilMended(broken, station, clock, over.signal, () => end('settings mended', 'mended'))
    log.info('running', { station: station.name, store: station.storeId })
    station.tick()
  })
}

/** What ends a station; returns what forgets it. */
function onEnd(end: (reason: string, code: number) => void, log: Log): () => void {
  const terminated = (): void => end('SIGTERM', 0)
  const interrupted = (): void => end('SIGINT', 0)
  // A bug of ours must not lose what is in memory: save, and let the service manager start anew.
  const bug = (error: Error): void => {
    log.warn('internal error', { stack: error.stack })
    end('internal error', 70)
  }
  process.on('SIGTERM', terminated).on('SIGINT', interrupted).on('uncaughtException', bug)
  return () =>
    void process.off('SIGTERM', terminated).off('SIGINT', interrupted).off('uncaughtException', bug)
}

/** Looks at the settings again whenever the file has changed; what is still wrong is told as the fault it is. */
function untilMended(
  { file, stamp }: BrokenFile,
  station: Station,
  clock: SystemClock,
  over: AbortSignal,
  mended: () => void,
): void {
  const stop = watchFile(file, stamp, () => {
    void prepareApart(file).then(({ wrong }) => {
      if (over.aborted) return
      if (wrong.length === 0) return mended()
      tell(wrong)
      blame(station, clock, wrong[0])
    })
  })
  over.addEventListener('abort', stop)
}
