import { SystemClock } from '../hardware/clock.js'
import { lockFolder } from '../hardware/lock.js'
import { standardLog } from '../hardware/log.js'
import { startTicker } from '../hardware/ticker.js'
import { withLimit } from '../hardware/limit.js'
import { openFolder } from '../hardware/disk.js'
import type { Settings } from '../settings/settings.js'
import { faultText, good, type Fault, type FaultCode, type Log } from '../terms/terms.js'
import { composeStation } from './compose.js'
import { commandPorts } from './compose-commands.js'
import { openControl, type Control } from './control.js'
import { openDataFolder } from './data-folder.js'
import { watchdogFeeder } from './feed-watchdog.js'
import { keepLastGood } from './keep-last-good.js'
import type { MemoryFolder } from './memory-folder.js'
import type { Plan, Preparation } from './preparation.js'
import { prepareApart, prepareLastGoodApart } from './prepare-apart.js'
import { blame, reloadWhenChanged, type Reloading } from './reload.js'
import { RunTrials } from './run-trials.js'

/** The whole stop, whatever hangs: the service manager's patience is longer. */
const stopLimitSeconds = 4

/** These pass by themselves or with another start; settings that last worked would not help. */
const notOfTheSettings: ReadonlySet<FaultCode> = new Set<FaultCode>(['store-in-use', 'disk-not-mounted'])

/**
 * Runs a station until a signal ends it; on settings that last worked, until the file is mended and then on that. A file that
 * changes meanwhile and is well is taken up.
 * @returns exit code: 0 ended as asked, 1 a part could not be opened, 2 settings that cannot be used
 */
export async function run(file: string, preparing = prepareApart(file)): Promise<number> {
  const trials = new RunTrials(file)
  for (let preparation = preparing; ; preparation = prepareApart(file)) {
    const ended = await runOrSpare(trials, await preparation)
    if (ended !== 'changed') return ended
  }
}

/** Settings that check well and name what cannot be opened are as good as broken ones: what last worked goes on. */
async function runOrSpare(trials: RunTrials, preparation: Preparation): Promise<number | 'changed'> {
  const ended = await runOnce(trials, preparation)
  if (typeof ended !== 'object') return ended
  const mayHelp = preparation.wrong.length === 0 && !notOfTheSettings.has(ended.code)
  const spare = mayHelp ? await prepareLastGoodApart(trials.file) : undefined
  if (!spare || spare.text === preparation.plan?.text) return runInMemory(trials, preparation, ended)
  const spared = { ...preparation, plan: spare, wrong: [faultText(ended)], notes: [] }
  const onSpare = await runOnce(trials, spared)
  return typeof onSpare === 'object' ? runInMemory(trials, spared, onSpare) : onSpare
}

/** While the disk is missing, full, read-only or failing from the start: records in memory, until it can be written. */
async function runInMemory(
  trials: RunTrials,
  preparation: Preparation,
  why: Fault,
): Promise<number | 'changed'> {
  const { plan } = preparation
  const { mayPass, openMemoryFolder } = await import('./memory-folder.js')
  if (!plan || !mayPass(why)) return refuse(why)
  const { settings } = plan
  const opened = await openMemoryFolder(settings, why)
  if (!opened.ok) return refuse(opened.fault)
  tell([
    faultText(why),
    'Measuring in memory until the data folder can be written; what is not sent is lost at an end.',
  ])
  // The data folder can hold no socket now.
  const control = settings.runtime.folder === undefined ? noControl : await openControl(settings)
  if (!control.ok) return refuse(control.fault)
  const own = await trials.begin({ ...preparation, wrong: [faultText(why)] }, plan)
  const ended = await runOpened(trials, preparation, own.plan, control.value, opened.value)
  await control.value.close()
  const moved = await withLimit(opened.value.move(), stopLimitSeconds)
  const fault = moved === 'late' ? why : moved.ok ? undefined : moved.fault
  tell([
    fault
      ? `Records in memory end here: ${faultText(fault)}`
      : 'The records from memory stand below earlier/ now.',
  ])
  return typeof ended === 'object' ? refuse(ended) : ended
}

const noControl = good<Control>({ serve: () => undefined, close: () => Promise.resolve() })

/** @returns how it ended, or why it could not be opened */
async function runOnce(trials: RunTrials, preparation: Preparation): Promise<number | 'changed' | Fault> {
  const { plan, wrong, notes } = preparation
  tell([...wrong, ...notes])
  if (!plan) return 2
  const works = wrong.length === 0
  if (!works)
    tell(['Starting with the settings that last worked. Correct the file: it is taken up when it is well.'])
  const { settings } = plan
  const locked = await lockData(settings)
  if (!locked.ok) return locked.fault
  const control = await openControl(settings)
  const ended = control.ok ? await runTrialOrOwn(trials, preparation, plan, control.value) : control.fault
  if (control.ok) await control.value.close()
  locked.value.release()
  return ended
}

/** A trial whose settings cannot be opened is over at once, and what was in force before goes on. */
async function runTrialOrOwn(
  trials: RunTrials,
  preparation: Preparation,
  own: Plan,
  control: Control,
): Promise<number | 'changed' | Fault> {
  for (;;) {
    const { plan, isTrial } = await trials.begin(preparation, own)
    const ended = await runOpened(trials, preparation, plan, control)
    if (typeof ended !== 'object' || !isTrial) return ended
    tell([`The settings on trial cannot be used: ${faultText(ended)}`])
  }
}

async function runOpened(
  trials: RunTrials,
  preparation: Preparation,
  plan: Plan,
  control: Control,
  memory?: MemoryFolder,
): Promise<number | 'changed' | Fault> {
  const { settings } = plan
  const log = standardLog(settings.log.level)
  const clock = new SystemClock(settings.clock.trust, settings.clock.ntpFile)
  const folder = memory ? good(memory) : await openDataFolder(settings)
  if (!folder.ok) return folder.fault
  const wishes: Wishes = { end: () => undefined }
  const { file } = trials
  const restart = (): void => wishes.end('asked to begin anew')
  const commands = commandPorts(file, memory !== undefined, log, restart, trials)
  const composed = await composeStation(plan, folder.value, clock, log, commands)
  if (!composed.ok) return composed.fault
  const { station, close } = composed.value
  control.serve(station, log.recent)
  if (control.fault) station.faults.raise('control', control.fault, clock.mono())
  const [wrong] = preparation.wrong
  if (wrong !== undefined) blame(station, clock, wrong)
  else if (!memory) keepLastGood(file, plan.text)
  trials.serve({ plan, faults: station.faults, mono: () => clock.mono(), end: (why) => wishes.end(why) })
  const code = await live({ file, preparation, station, clock, tell }, log, wishes, memory?.whenWritable)
  await close()
  return code
}

const tell = (lines: readonly string[]): void => {
  for (const line of lines) process.stderr.write(line + '\n')
}

function refuse(fault: Parameters<typeof faultText>[0]): number {
  process.stderr.write(faultText(fault) + '\n')
  return 1
}

async function lockData({ data: { folder, mustBeMounted } }: Settings) {
  const disk = await openFolder(folder, { create: true, mustBeMounted })
  return disk.ok ? lockFolder(folder) : disk
}

/** What somebody far away may wish; nothing until the station lives. */
interface Wishes {
  end: (why: string) => void
}

function live(
  reloading: Omit<Reloading, 'onChanged'>,
  log: Log,
  wishes: Wishes,
  whenWritable: MemoryFolder['whenWritable'] = () => () => undefined,
): Promise<number | 'changed'> {
  const { station, clock, preparation } = reloading
  return new Promise((resolve) => {
    let over = false
    const feedWatchdog = watchdogFeeder(station, log)
    const ticker = startTicker(
      clock,
      () => station.nextTickAt,
      () => {
        station.tick()
        feedWatchdog()
      },
    )
    const end = (reason: string, code: number | 'changed'): void => {
      if (over) return
      over = true
      ticker.stop()
      stopReloading()
      stopLooking()
      void withLimit(station.stop(reason), stopLimitSeconds).then((ended) => {
        log.info(`stopped: ${reason}`, ended === 'late' ? { hung_after_s: stopLimitSeconds } : {})
        release()
        resolve(code)
      })
    }
    const release = onEnd(end, log)
    const why = preparation.wrong.length > 0 ? 'settings mended' : 'settings changed'
    const stopReloading = reloadWhenChanged({ ...reloading, onChanged: () => end(why, 'changed') })
    wishes.end = (wished) => end(wished, 'changed')
    const stopLooking = whenWritable(() => end('the data folder can be written', 'changed'))
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
