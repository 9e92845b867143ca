import {
  entryDetails,
  mostEntries,
  readEntry,
  restoreVisit,
  selfClosedEntry,
  siteLineName,
  SiteLog,
  type EarlierBoot,
  type EntryFault,
  type SiteEntry,
  type Visit,
  type VisitOptions,
  type ZeroCheckOptions,
} from '../sitelog/sitelog.js'
import type { Store } from '../store/store.js'
import { utcMillis, utcText, type EventLine, type MonoSeconds } from '../terms/terms.js'
import { siteEffects, type Here, type SiteEffect } from './site-effects.js'
import { runningZeroChecks, zeroOutcome, type RunningZeroCheck } from './zero-checks.js'

export interface SiteOptions {
  readonly visit: VisitOptions
  readonly zeroCheck: ZeroCheckOptions
}

/** An instrument as far as the site log goes. */
export interface SiteInstrument {
  readonly slot?: string
  readonly measuresMass: boolean
  readonly surroundings: { service: boolean }
}

export interface SitePorts {
  readonly here: () => Here
  /** Writes a line of the site log and gives it back with its number. */
  readonly write: (name: string, details: Readonly<Record<string, string>>) => EventLine
  readonly store: Store
  readonly track: (work: Promise<unknown>) => void
  readonly tell: (words: string, details: Readonly<Record<string, unknown>>) => void
  /** Entries came: what follows from them for averages is to be worked out, and their lines made safe. */
  readonly onEntries: () => void
}

export type EntryAnswer =
  | {
      readonly ok: true
      readonly number: number
      readonly details: Readonly<Record<string, string>>
      /** What does not fit with the entries before it, in words. */
      readonly notes: readonly string[]
    }
  | { readonly ok: false; readonly faults: readonly EntryFault[] }

/** The site log of a running station: takes entries, and makes visits and zero checks do what they mean. */
export class SiteWatch {
  readonly log: SiteLog
  /** The lines that the log was made of, in the order of their numbers. */
  readonly lines: EventLine[] = []
  private visit: Visit
  private earlier: readonly EarlierBoot[] = []
  private zeroChecks: readonly RunningZeroCheck[] = []
  private judging = false
  private closing = false

  constructor(
    private readonly options: SiteOptions,
    private readonly instruments: readonly SiteInstrument[],
    private readonly ports: SitePorts,
  ) {
    this.log = new SiteLog([], { visit: options.visit })
    this.visit = restoreVisit(this.log, ports.here(), [], options.visit)
  }

  /** @param lines those of the site log in the store; @param earlier boots before this one, oldest first */
  restore(lines: Iterable<EventLine>, earlier: readonly EarlierBoot[]): void {
    for (const line of lines) this.take(line)
    this.earlier = earlier
  }

  /** Takes what a person gave, keys as in the details of a line. */
  add(input: Readonly<Record<string, unknown>>): EntryAnswer {
    const slots = this.instruments.flatMap(({ slot }) => slot ?? [])
    const read = readEntry(input, this.ports.here().utc, { slots })
    if (!read.ok) return read
    const faults = [...this.log.objections(read.value), ...this.zeroFaults(read.value)]
    return faults.length > 0 ? { ok: false, faults } : this.write(read.value)
  }

  private write(entry: SiteEntry): Extract<EntryAnswer, { ok: true }> {
    const line = this.ports.write(siteLineName, entryDetails(entry))
    this.take(line)
    this.lookAgain()
    this.ports.onEntries()
    return { ok: true, number: line.seq, details: line.details, notes: this.log.notesOn(line.seq) }
  }

  private take(line: EventLine): void {
    this.lines.push(line)
    if (this.lines.length > mostEntries) this.lines.shift()
    this.log.add(line)
  }

  /** Which sensor breathes filtered air must be known where there are several. */
  private zeroFaults({ kind, slot }: SiteEntry): EntryFault[] {
    const slots = this.instruments.filter((one) => one.measuresMass).map((one) => one.slot)
    if (!kind.startsWith('zero-check') || slots.includes(slot)) return []
    const allowed = slots.map((one) => one ?? 'none').join(', ')
    return [{ key: 'slot', code: 'missing', words: `slot: which sensor has the filter? allowed: ${allowed}` }]
  }

  /** Whatever follows from the entries, worked out anew: after a start, when the clock became trusted or stepped. */
  lookAgain(): void {
    this.log.clockLearned()
    const here = this.ports.here()
    this.visit = restoreVisit(this.log, here, this.earlier, this.options.visit)
    this.zeroChecks = runningZeroChecks(this.log, here, this.options.zeroCheck.spanSeconds)
    this.step(here.mono)
  }

  /** Once a minute. */
  step(now: MonoSeconds): void {
    const closed = this.visit.step(now).find(({ what }) => what === 'closed-itself')
    for (const { slot, surroundings } of this.instruments)
      surroundings.service = this.visit.quiet || this.zeroChecks.some((check) => check.slot === slot)
    if (closed && !this.closing) this.closeVisit(closed.at)
    const due = this.zeroChecks.find((check) => now >= check.due)
    if (due && !this.judging) this.judge(due)
  }

  private closeVisit(at: MonoSeconds): void {
    const { utc, mono } = this.ports.here()
    this.ports.tell('the visit closed itself: its end was not told', {})
    this.closing = true
    this.write(selfClosedEntry(utc === undefined ? undefined : utcMillis(utc - (mono - at) * 1000)))
    this.closing = false
  }

  private judge(check: RunningZeroCheck): void {
    this.judging = true
    const { store, here, track, tell } = this.ports
    track(
      zeroOutcome(store, here(), check, this.options.zeroCheck).then((outcome) => {
        this.judging = false
        tell(`zero check: ${outcome.result}`, { ...outcome, slot: check.slot })
        this.write({
          kind: 'zero-check',
          effect: 'exclude',
          who: 'station',
          from: 'now',
          ...(check.slot === undefined ? {} : { slot: check.slot }),
          ...outcome,
        })
      }),
    )
  }

  /** Why no alert is raised now, in words; undefined while nobody is at the station. */
  quietWords(now: MonoSeconds): string | undefined {
    const until = this.visit.quietUntil
    if (!this.visit.quiet || until === undefined) return undefined
    const { utc } = this.ports.here()
    const when =
      utc === undefined ? '' : `, at the latest until ${utcText(utcMillis(utc + (until - now) * 1000))}`
    return `${this.visit.open ? 'somebody is at the station' : 'after a visit'}${when}`
  }

  /** Seconds until readings of a slot count again; undefined while nothing of the site log excludes them. */
  serviceSecondsLeft(slot: string | undefined, now: MonoSeconds): number | undefined {
    const checks = this.zeroChecks.filter((check) => check.slot === slot).map(({ due }) => due - now)
    const visit = this.visit.quiet ? [this.visit.quietUntil! - now] : []
    const left = [...checks, ...visit]
    return left.length > 0 ? Math.max(0, ...left) : undefined
  }

  /** Changes of unit and place, and excluded spans, for averages. */
  effects(): readonly SiteEffect[] {
    return siteEffects(this.log, this.ports.here())
  }

  report(now: MonoSeconds): Record<string, unknown> {
    const { open, quiet, quietUntil } = this.visit
    const place = this.log.deployments().findLast((one) => one.to === undefined)?.place
    const zero = this.log.entries().findLast((one) => one.entry?.kind === 'zero-check')?.entry
    return {
      place: place ?? 'not recorded',
      visit: open ? 'open' : quiet ? 'over, readings do not count yet' : 'none',
      ...(open ? { closes_itself_in_s: Math.ceil(quietUntil! - now) - this.options.visit.afterSeconds } : {}),
      ...(quiet ? { counts_again_in_s: Math.ceil(quietUntil! - now) } : {}),
      zero_checks_running: this.zeroChecks.map(({ slot, due }) => ({
        ...(slot === undefined ? {} : { slot }),
        result_in_s: Math.max(0, Math.ceil(due - now)),
      })),
      ...(zero ? { last_zero_check: entryDetails(zero) } : {}),
      units: this.log.units().flatMap(({ slot, serial, to }) => (to === undefined ? [{ slot, serial }] : [])),
      entries: this.log.entries().length,
      doubts: this.log.doubts().length,
    }
  }
}
