/**
 * A trial of settings from afar. Accepted settings are written to the trial file, then the agent begins anew on them, in the same
 * process. Nothing but that process knows how to run them: after any end of it, the next start runs what was kept before. Only a
 * confirm that the agent on trial takes itself, over the link that the new settings make, keeps them.
 */
import { faultText } from '../terms/terms.js'
import type { PushedFiles, PushedSettings } from './pushed-files.js'

/** Settings that passed, with what a run needs of them. */
export interface Judged<Plan> {
  readonly plan: Plan
  readonly base: string
  readonly text: string
  readonly lastsSeconds: number
}
export type Judgement<Plan> =
  ({ readonly ok: true } & Judged<Plan>) | { readonly ok: false; readonly lines: readonly string[] }

export interface Pushed {
  readonly text: string
  /** For people: names the text in faults. */
  readonly file: string
  /** It takes the place of what was kept before, in place of standing over it. */
  readonly alone: boolean
}

export interface TrialPorts<Plan> {
  readonly files: () => PushedFiles
  readonly judge: (pushed: Pushed) => Promise<Judgement<Plan>>
  readonly newId: () => string
  readonly after: (seconds: number) => Promise<void>
}

export interface Trial<Plan> extends Judged<Plan> {
  readonly id: string
  readonly by: string
}

export type TrialAnswer = { readonly ok: boolean; readonly words: string; readonly [more: string]: unknown }
export interface TrialAct {
  readonly answer: TrialAnswer
  readonly afterwards?: () => void
}

/** What a run does for its trials. */
export interface TrialRun {
  /** Ends the run; the next asks `begin` what to run. */
  readonly end: (why: string) => void
  /** The trial that runs is kept now. */
  readonly onKept: () => void
}

const id = /^[0-9a-f]{16}$/
/** Characters; with what else a command holds, and what JSON makes longer, it still fits into one. */
export const longestPushedText = 12_000

export class SettingsTrials<Plan> {
  private next: Trial<Plan> | undefined
  private running: Trial<Plan> | undefined
  private run: TrialRun | undefined
  private isKeeping = false
  private isOver = false

  constructor(private readonly ports: TrialPorts<Plan>) {}

  /**
   * Asked before each run.
   * @param base of the own file as it is now, undefined where that cannot be used
   * @returns the trial to run, or the id of one that is over and was not kept
   */
  async begin(
    base: string | undefined,
  ): Promise<{ readonly trial?: Trial<Plan>; readonly fellBack?: string }> {
    const { next } = this
    this.next = this.running = this.run = undefined
    this.isKeeping = this.isOver = false
    if (next && next.base === base) return { trial: (this.running = next) }
    const files = this.ports.files()
    const cutShort = await files.onTrial()
    if (!cutShort) return {}
    const kept = await files.kept()
    await files.endTrial()
    return kept?.id === cutShort.id ? {} : { fellBack: cutShort.id }
  }

  /** From now on pushes are taken; a trial's time begins. */
  serve(run: TrialRun): void {
    this.run = run
    const trial = this.running
    if (!trial) return
    void this.ports.after(trial.lastsSeconds).then(() => {
      if (this.running !== trial || this.run !== run) return
      this.isOver = true
      if (!this.isKeeping) run.end('trial of settings is over')
    })
  }

  async act(input: Readonly<Record<string, unknown>>, by: string): Promise<TrialAct> {
    const { confirm, text, file, alone } = input
    if (typeof confirm === 'string' && id.test(confirm)) return { answer: await this.confirm(confirm) }
    if (typeof text !== 'string' || text.length > longestPushedText || confirm !== undefined)
      return {
        answer: no(
          `say text: settings, at most ${longestPushedText} characters; or confirm: the id of a trial`,
        ),
      }
    const name = typeof file === 'string' ? file.slice(0, 100) : 'settings'
    return this.push({ text, file: name, alone: alone === true || alone === 'true' }, by)
  }

  private async push(pushed: Pushed, by: string): Promise<TrialAct> {
    const { run } = this
    if (!run) return { answer: no('the agent is about to begin anew') }
    if (this.running)
      return { answer: no(`trial ${this.running.id} runs: confirm it, or end it with a restart`) }
    if (this.next) return { answer: no('another trial is about to begin') }
    const judged = await this.ports.judge(pushed)
    if (!judged.ok) return { answer: { ok: false, words: judged.lines.join('\n') } }
    const trial = { ...judged, id: this.ports.newId(), by }
    const kept = await this.ports.files().beginTrial(settingsOf(trial))
    if (!kept.ok) return { answer: no(`not tried: ${faultText(kept.fault)}`) }
    this.next = trial
    const minutes = Math.round(trial.lastsSeconds / 60)
    const words = `on trial as ${trial.id}, for ${minutes} min; confirm it meanwhile, or the settings before come back`
    return {
      answer: { ok: true, words, trial: trial.id, minutes },
      afterwards: () => run.end('settings on trial'),
    }
  }

  private async confirm(asked: string): Promise<TrialAnswer> {
    const { running, run } = this
    const files = this.ports.files()
    if (!running || !run) {
      const kept = await files.kept()
      return kept?.id === asked
        ? yes(`${asked} is kept`)
        : no(`no trial runs here: the settings before are in force`)
    }
    if (running.id !== asked) return no(`another trial runs: ${running.id}`)
    if (this.isOver) return no('too late: the trial is over')
    this.isKeeping = true
    const kept = await files.keep(settingsOf(running))
    this.isKeeping = false
    if (!kept.ok) {
      if (this.isOver) run.end('trial of settings is over')
      return no(`not kept, the trial goes on: ${faultText(kept.fault)}`)
    }
    this.running = undefined
    await files.endTrial()
    run.onKept()
    return yes(`${asked} is kept`)
  }
}

const yes = (words: string): TrialAnswer => ({ ok: true, words })
const no = (words: string): TrialAnswer => ({ ok: false, words })
const settingsOf = ({ id, base, text, by }: Trial<unknown>): PushedSettings => ({ id, base, text, by })
