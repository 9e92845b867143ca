/** Settings from afar, from run to run: which settings each runs on, what is told of them, and the commands about them. */
import { randomBytes } from 'node:crypto'
import type { FaultBoard } from '../health/health.js'
import type { SettingsFromAfar, SettingsInForce } from '../station/station.js'
import type { MonoSeconds } from '../terms/terms.js'
import type { Plan, Preparation } from './preparation.js'
import { judgePushedApart } from './prepare-apart.js'
import { baseOf, planWith, pushedFilesIn, saysNothing, type PushedFiles } from './pushed-files.js'
import { SettingsTrials, type Judgement, type Pushed, type Trial, type TrialAct } from './settings-trial.js'

/** What is replaced where time is not that of the world. */
export interface RunTrialsPorts {
  readonly judge: (file: string, pushed: Pushed) => Promise<Judgement<Plan>>
  readonly after: (seconds: number) => Promise<void>
  /** Seconds, of a clock that is never set. */
  readonly now: () => number
}

const usualPorts: RunTrialsPorts = {
  judge: judgePushedApart,
  // It must not keep alive a process that has nothing else to do.
  after: (seconds) => new Promise((resolve) => void setTimeout(resolve, seconds * 1000).unref()),
  now: () => performance.now() / 1000,
}

const where = 'settings'

/** A station that runs, as far as trials know it. */
export interface RunningStation {
  readonly plan: Plan
  readonly faults: FaultBoard
  readonly mono: () => MonoSeconds
  /** Ends the run; the next one begins with `begin`. */
  readonly end: (why: string) => void
}

export class RunTrials implements SettingsFromAfar {
  private readonly trials: SettingsTrials<Plan>
  private files: PushedFiles | undefined
  private trial: (Trial<Plan> & { readonly endsAt: number }) | undefined
  private inPlan: Plan['pushed']
  /** Words of what ended, until a station has told them. */
  private ended: string | undefined
  /** Why no settings are taken now. */
  private refusal: string | undefined

  /** @param file the person's own settings */
  constructor(
    readonly file: string,
    private readonly ports: RunTrialsPorts = usualPorts,
  ) {
    this.trials = new SettingsTrials<Plan>({
      files: () => this.files!,
      judge: (pushed) => this.ports.judge(file, pushed),
      newId: () => randomBytes(8).toString('hex'),
      after: this.ports.after,
    })
  }

  /** Before each run, for who holds the data folder: what it is to run on. */
  async begin({ wrong, aside }: Preparation, plan: Plan): Promise<{ plan: Plan; isTrial: boolean }> {
    const isOwn = wrong.length === 0
    this.files = pushedFilesIn(plan.settings.data.folder)
    if (isOwn && aside) this.ended = aside.words
    if (isOwn && aside?.isForGood) await this.files.drop()
    const { trial, fellBack } = await this.trials.begin(isOwn ? baseOf(plan.text) : undefined)
    if (fellBack !== undefined) this.ended = `trial ${fellBack} ended, and nobody had confirmed it`
    this.refusal = isOwn
      ? undefined
      : 'the settings file at the station has a fault, which must be mended there first'
    this.trial = trial && { ...trial, endsAt: this.ports.now() + trial.lastsSeconds }
    return { plan: trial ? planWith(trial.plan, trial) : plan, isTrial: trial !== undefined }
  }

  /** From now on the commands are answered; the time of a trial begins. */
  serve({ plan, faults, mono, end }: RunningStation): void {
    const { ended, trial } = this
    this.inPlan = plan.pushed
    if (ended !== undefined) faults.raise(where, { code: 'settings-fell-back', detail: ended }, mono())
    this.ended = undefined
    if (trial) faults.raise(where, { code: 'settings-on-trial', detail: trialWords(trial) }, mono())
    this.trials.serve({
      end,
      onKept: () => {
        faults.clear(where, 'settings-on-trial', 'settings-fell-back')
        if (trial && saysNothing(trial)) this.inPlan = undefined
        this.trial = undefined
      },
    })
  }

  inForce(): SettingsInForce {
    const { trial, inPlan } = this
    if (trial) {
      const left_s = Math.max(0, Math.round(trial.endsAt - this.ports.now()))
      return { from: 'trial', id: trial.id, by: trial.by, left_s }
    }
    return inPlan ? { from: 'pushed', id: inPlan.id, by: inPlan.by } : { from: 'file' }
  }

  /** With nothing in it: which settings are in force, and the text of those from afar that are kept. */
  async act(input: Readonly<Record<string, unknown>>, by: string): Promise<TrialAct> {
    if (Object.keys(input).length === 0) return { answer: await this.told() }
    if (this.refusal !== undefined) return { answer: { ok: false, words: this.refusal } }
    return this.trials.act(input, by)
  }

  private async told(): Promise<TrialAct['answer']> {
    const settings = this.inForce()
    const kept = settings.from === 'file' ? undefined : await this.files?.kept()
    return { ok: true, words: inForceWords(settings), settings, ...(kept ? { kept: kept.text } : {}) }
  }
}

const trialWords = ({ id, by, lastsSeconds }: Trial<Plan>): string =>
  `${id} of ${by}, for ${Math.round(lastsSeconds / 60)} min`

/** For people: which settings a station runs on. */
export function inForceWords({ from, id, by, left_s = 0 }: SettingsInForce): string {
  if (from === 'file') return 'the file at the station alone is in force'
  if (from === 'pushed') return `the file at the station, with settings from afar over it (${id} of ${by})`
  const left = `${Math.ceil(left_s / 60)} min`
  return `on trial, from afar (${id} of ${by}): ${left} left to confirm them, else, or at any restart, those before come back`
}
