/** Trials of settings from afar over a disk that fails, and under random use. */
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { pushedFilesOn } from '../../agent/cli/pushed-files.js'
import { SettingsTrials, type TrialRun } from '../../agent/cli/settings-trial.js'
import { MemoryDisk, type Cut } from '../../agent/simulation/memory-disk.js'

const lastsSeconds = 7200

/** One process of a station: what it runs, and its time. It ends when its power is cut or it is killed. */
class Process {
  /** The text that runs over the own file; undefined: the own file alone. */
  runs: string | undefined
  fellBack: string | undefined
  onTrial: string | undefined
  ends: string[] = []
  private waiting: { until: number; wake: () => void }[] = []
  private now = 0
  private ids = 0
  readonly trials: SettingsTrials<string>

  constructor(
    private readonly disk: MemoryDisk,
    private readonly name: string,
    public base = 'own',
  ) {
    this.trials = new SettingsTrials<string>({
      files: () => pushedFilesOn(disk),
      judge: ({ text }) => Promise.resolve({ ok: true, plan: text, base: this.base, text, lastsSeconds }),
      newId: () => `${this.name}${(this.ids++).toString(16).padStart(2, '0')}`.padStart(16, '0'),
      after: (seconds) => new Promise((wake) => this.waiting.push({ until: this.now + seconds, wake })),
    })
  }

  /** What `run` does before each of its runs. */
  async begin(): Promise<void> {
    this.ends = []
    const { trial, fellBack } = await this.trials.begin(this.base)
    const kept = await pushedFilesOn(this.disk).kept()
    this.runs = trial ? trial.plan : kept?.base === this.base ? kept.text : undefined
    this.onTrial = trial?.id
    this.fellBack = fellBack
    const run: TrialRun = { end: (why) => void this.ends.push(why), onKept: () => (this.onTrial = undefined) }
    this.trials.serve(run)
  }

  async ask(input: Record<string, unknown>): Promise<{ ok: boolean; words: string; trial?: unknown }> {
    const { answer, afterwards } = await this.trials.act(input, 'anna')
    afterwards?.()
    return answer
  }

  async pass(seconds: number): Promise<void> {
    this.now += seconds
    for (const one of this.waiting.filter(({ until }) => until <= this.now)) one.wake()
    this.waiting = this.waiting.filter(({ until }) => until > this.now)
    await Promise.resolve()
    await Promise.resolve()
  }
}

const cuts: readonly Cut[] = [
  { unsynced: 'lost' },
  { unsynced: 'kept' },
  { unsynced: 'torn', keptBytes: 40, rest: 'missing' },
  { unsynced: 'torn', keptBytes: 40, rest: 'zeros' },
  { unsynced: 'mixed', sectors: () => true, size: 'all', names: (_, i) => i % 2 === 0 },
  { unsynced: 'mixed', sectors: () => false, size: 'all', names: (_, i) => i % 2 === 1 },
]

/** A push that is confirmed, and one that is not; `may` says what a start may run after a cut at that moment. */
async function story(disk: MemoryDisk, may: (texts: readonly (string | undefined)[]) => void): Promise<void> {
  may([undefined])
  const life = new Process(disk, 'aa')
  await life.begin()
  const first = await life.ask({ text: 'first' })
  if (life.ends.length > 0) await life.begin()
  if (life.runs !== 'first') return
  may([undefined, 'first'])
  const kept = await life.ask({ confirm: first.trial })
  if (!kept.ok) return
  may(['first'])
  const second = await life.ask({ text: 'second' })
  if (life.ends.length > 0) await life.begin()
  if ((life.runs as string) !== 'second') return
  await life.pass(lastsSeconds)
  const late = await life.ask({ confirm: second.trial })
  expect(late.ok).toBe(false)
  await life.begin()
  expect((life.runs as string) === 'first' || disk.operations >= disk.powerFailsAfter).toBe(true)
  const third = await life.ask({ text: 'third' })
  await life.begin()
  if ((life.runs as string) !== 'third') return
  may(['first', 'third'])
  if ((await life.ask({ confirm: third.trial })).ok) may(['third'])
}

describe('a trial of settings from afar', () => {
  it('survives power cuts at every operation and never strands a station', async () => {
    const whole = new MemoryDisk()
    await story(whole, () => undefined)
    expect(whole.operations).toBeGreaterThan(30)
    for (let at = 0; at <= whole.operations; at++)
      for (const cut of cuts) {
        const disk = new MemoryDisk()
        disk.powerFailsAfter = at
        let allowed: readonly (string | undefined)[] = []
        await story(disk, (texts) => (allowed = texts))
        const after = new Process(disk.cut(cut), 'bb')
        await after.begin()
        expect(allowed, `cut ${cut.unsynced} after ${at}`).toContain(after.runs)
        expect(after.onTrial).toBeUndefined()
        // The station goes on as any other: the next push is tried and kept.
        const next = await after.ask({ text: 'next' })
        await after.begin()
        expect((await after.ask({ confirm: next.trial })).ok).toBe(true)
      }
  })

  it('is refused, and goes on, where the disk does not take it', async () => {
    const disk = new MemoryDisk()
    const life = new Process(disk, 'aa')
    await life.begin()
    disk.readOnly = true
    expect(await life.ask({ text: 'first' })).toMatchObject({ ok: false })
    expect(life.ends).toEqual([])
    disk.readOnly = false
    const { trial } = await life.ask({ text: 'first' })
    await life.begin()
    disk.readOnly = true
    expect(await life.ask({ confirm: trial })).toMatchObject({ ok: false })
    disk.readOnly = false
    expect(await life.ask({ confirm: trial })).toMatchObject({ ok: true })
  })

  it('tells once that it was cut short, and nothing of one that was kept', async () => {
    const disk = new MemoryDisk()
    const life = new Process(disk, 'aa')
    await life.begin()
    const { trial } = await life.ask({ text: 'first' })
    await life.begin()
    const after = new Process(disk, 'bb')
    await after.begin()
    expect([after.runs, after.fellBack]).toEqual([undefined, trial])
    await after.begin()
    expect(after.fellBack).toBeUndefined()
  })

  it('is dropped where the file at the station was edited meanwhile, and so is what was kept', async () => {
    const disk = new MemoryDisk()
    const life = new Process(disk, 'aa')
    await life.begin()
    const { trial } = await life.ask({ text: 'first' })
    life.base = 'edited'
    await life.begin()
    expect([life.runs, life.fellBack]).toEqual([undefined, trial])
  })

  it('agrees with a plain model under random pushes, confirms, replays, ends and passing time', async () => {
    const step = fc.oneof(
      fc.record({ do: fc.constant('push' as const), text: fc.constantFrom('p', 'q', 'r') }),
      fc.record({ do: fc.constant('confirm' as const), which: fc.nat(4) }),
      fc.record({ do: fc.constant('pass' as const), seconds: fc.constantFrom(10, 3600, 7200) }),
      fc.record({ do: fc.constantFrom('kill' as const, 'restart' as const, 'edit' as const) }),
    )
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const holds = fc.asyncProperty(fc.array(step, { maxLength: 40 }), async (steps) => {
      const disk = new MemoryDisk()
      let life = new Process(disk, '00')
      await life.begin()
      /** The model: what is kept and over which file, what is on trial and since when. */
      let kept: { text: string; base: string } | undefined
      let trial: { id: unknown; text: string; left: number } | undefined
      const ids: unknown[] = ['f'.repeat(16)]
      for (const [n, one] of steps.entries()) {
        if (one.do === 'push') {
          const answer = await life.ask({ text: one.text })
          expect(answer.ok).toBe(trial === undefined)
          if (answer.ok) {
            ids.unshift(answer.trial)
            trial = { id: answer.trial, text: one.text, left: lastsSeconds }
            expect(life.ends).toHaveLength(1)
            // A confirm that the agent before the trial takes keeps nothing.
            expect((await life.ask({ confirm: answer.trial })).ok).toBe(false)
            await life.begin()
          }
        } else if (one.do === 'confirm') {
          const asked = ids[one.which % ids.length]
          const { ok } = await life.ask({ confirm: asked })
          if (trial && trial.id === asked) {
            expect(ok).toBe(true)
            kept = { text: trial.text, base: life.base }
            trial = undefined
          } else if (trial) expect(ok).toBe(false)
        } else if (one.do === 'pass') {
          await life.pass(one.seconds)
          if (trial) trial.left -= one.seconds
          if (trial && trial.left <= 0) {
            expect((await life.ask({ confirm: trial.id })).ok).toBe(false)
            trial = undefined
            await life.begin()
          }
        } else {
          trial = undefined
          if (one.do === 'kill') life = new Process(disk, (n + 1).toString(16), life.base)
          if (one.do === 'edit') life.base = `${life.base}.`
          await life.begin()
        }
        const wanted = trial?.text ?? (kept?.base === life.base ? kept.text : undefined)
        expect(life.runs).toBe(wanted)
      }
    })
    await fc.assert(holds, { seed, numRuns: 300 })
  })
})
