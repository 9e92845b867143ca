import { Trouble, troubleRules, type TroubleChange, type TroubleChoice } from '../alerts/alerts.js'
import type { Store } from '../store/store.js'
import { utcMillis, utcText, type MonoSeconds, type TroubleRuleName } from '../terms/terms.js'
import type { AlertPorts } from './alert-watch.js'
import type { LastChange } from './restart.js'
import { abruptStarts } from './trouble-starts.js'
import { TroubleConditions, type TroubleAround } from './trouble-conditions.js'

interface Watched {
  readonly choice: TroubleChoice
  readonly trouble: Trouble
}

/**
 * The station's own troubles as alerts: stepped once a minute, each change a line of the same form as those of particles, so
 * that restart, messages and delivery treat them alike.
 */
export class TroubleWatch {
  readonly conditions: TroubleConditions
  private readonly watched: readonly Watched[]
  private untold: TroubleRuleName[] = []

  /** @param lastChange of every rule, shared with the rules of averages */
  constructor(
    choices: readonly TroubleChoice[],
    around: TroubleAround,
    private readonly ports: AlertPorts,
    private readonly lastChange: Map<string, LastChange>,
  ) {
    this.conditions = new TroubleConditions(around)
    this.watched = choices.map((choice) => ({ choice, trouble: new Trouble(choice) }))
  }

  /** After the changes of the store are in `lastChange`. @param saved as `save` gave it */
  async restore(saved: unknown, store: Store): Promise<void> {
    if (this.watched.length === 0) return
    this.conditions.restore(saved)
    this.conditions.abruptStarts = await abruptStarts(store)
    for (const { choice, trouble } of this.watched)
      if (this.lastChange.get(choice.rule)?.details.state === 'raised') trouble.restore('raised')
  }

  save(): unknown {
    return this.watched.length === 0 ? undefined : this.conditions.save()
  }

  /**
   * @param quiet somebody is at the station
   * @returns whether any state changed: its line is to be synced now
   */
  step(now: MonoSeconds, quiet: boolean): boolean {
    if (this.watched.length === 0) return false
    this.conditions.look(now)
    let changed = false
    for (const { choice, trouble } of this.watched) {
      const change = trouble.step(this.conditions.seen(choice.rule, now), now, quiet)
      if (!change) continue
      this.write(choice, change, now)
      changed = true
    }
    return changed
  }

  private write(choice: TroubleChoice, change: TroubleChange, now: MonoSeconds): void {
    const details = this.details(choice, change, now)
    this.lastChange.set(choice.rule, { details, utc: this.ports.utcAt(now) })
    this.ports.event(now, 'alert', details)
    const word = change.to === 'raised' ? 'raised' : 'over'
    this.ports.log.warn(`alert ${choice.rule}: ${word}`, details)
    this.untold.push(choice.rule)
  }

  private details(
    { rule, priority }: TroubleChoice,
    { to, since, seen }: TroubleChange,
    now: MonoSeconds,
  ): Record<string, string> {
    const utc = this.ports.utcAt(now)
    return {
      rule,
      state: to,
      priority,
      words: troubleRules[rule].words,
      ...(seen.detail === undefined ? {} : { detail: seen.detail }),
      ...(seen.value === undefined ? {} : { value: String(seen.value), unit: seen.unit ?? '' }),
      ...(utc === undefined ? {} : { since: utcText(utcMillis(utc - (now - since) * 1000)) }),
      first: troubleRules[rule].firstThing,
    }
  }

  /** The rules whose changes may be told now. */
  takeUntold(): readonly TroubleRuleName[] {
    const { untold } = this
    this.untold = []
    return untold
  }

  /** The rules that stand; the others need no message. */
  get raised(): readonly TroubleRuleName[] {
    return this.watched.flatMap(({ choice, trouble }) => (trouble.state === 'raised' ? choice.rule : []))
  }

  /** The message of a rule: its state, and what its newest line says. */
  json(rule: TroubleRuleName): Record<string, unknown> {
    const { details, utc } = this.lastChange.get(rule)!
    const { state, value, ...rest } = details
    return {
      v: 1,
      ...rest,
      state: state === 'raised' ? 'raised' : 'over',
      ...(value === undefined ? {} : { value: Number(value) }),
      ...(utc === undefined ? {} : { at: utcText(utc) }),
    }
  }
}
