import type { FaultBoard } from '../health/health.js'
import type { MonoSeconds } from '../terms/terms.js'

/** What a station does again and again beside measuring: how long each may take before it is told, and what is said then. */
const kinds = {
  write: { limitSeconds: 120, words: 'writing lines to the data folder' },
  checkpoint: { limitSeconds: 120, words: 'saving the state' },
  gauges: { limitSeconds: 60, words: 'reading battery, sun and climate' },
} as const
export type JobName = keyof typeof kinds

const names = Object.keys(kinds) as JobName[]

/**
 * Jobs that wait for a disk or a device cannot be ended from here. One that does not end is told, its owner starts no
 * second one meanwhile, and everything else goes on.
 */
export class JobWatch {
  private readonly startedAt = new Map<JobName, MonoSeconds>()
  private readonly endedAt = new Map<JobName, MonoSeconds>()

  constructor(
    private readonly faults: FaultBoard,
    private readonly now: () => MonoSeconds,
  ) {}

  isRunning(name: JobName): boolean {
    return this.startedAt.has(name)
  }

  /** In words, a job that has been going on for longer than this; undefined where none has. */
  stalled(now: MonoSeconds, limitSeconds: number): string | undefined {
    for (const [name, began] of this.startedAt)
      if (now - began > limitSeconds) return `${kinds[name].words} takes ${Math.round(now - began)} s`
    return undefined
  }

  /** Watches a run that has begun; gives its promise back. */
  watch<T>(name: JobName, run: Promise<T>): Promise<T> {
    const began = this.now()
    this.startedAt.set(name, began)
    return run.finally(() => {
      if (this.startedAt.get(name) === began) this.startedAt.delete(name)
      this.endedAt.set(name, this.now())
      this.faults.clear(name, 'job-late')
    })
  }

  /** Once a minute. */
  look(now: MonoSeconds): void {
    for (const [name, began] of this.startedAt) {
      const { limitSeconds, words } = kinds[name]
      if (now - began < limitSeconds) continue
      const detail = `${words} has been going on for ${Math.round(now - began)} s`
      this.faults.raise(name, { code: 'job-late', detail }, now)
    }
  }

  /** Seconds since the last run ended, by job; a job that has never ended is left out. */
  report(now: MonoSeconds): Record<string, number> {
    const ended = names.filter((name) => this.endedAt.has(name))
    return Object.fromEntries(
      ended.map((name) => [`${name}_age_s`, Math.round(now - this.endedAt.get(name)!)]),
    )
  }
}
