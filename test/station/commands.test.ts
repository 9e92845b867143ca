/** Random lives of a station that gets commands: said again, out of order, under stepping clocks, through kills and lost state. */
import fc from 'fast-check'
import { expect, it } from 'vitest'
import { CommandNumbers } from '../../agent/station/command-lines.js'
import { CommandWatch } from '../../agent/station/command-watch.js'
import { isBalanced, monoSeconds, utcMillis, type EventLine } from '../../agent/terms/terms.js'
import { signedCommand, type Signer } from '../../agent/uplink/uplink.js'
import { newKey } from '../support/keys.js'

const start = Date.UTC(2026, 2, 1)
const keys = ['anna', 'ben'].map((name) => {
  const { publicKey, sign } = newKey()
  const signer: Signer = { role: 'operator', publicKey, name }
  return { signer, sign }
})
const known = keys.map(({ signer }) => signer)

interface Said {
  readonly payload: Uint8Array
  readonly station: string
}

/** One station over its starts: `lines` is what the disk keeps, `ran` what was done. */
class Life {
  readonly ran: string[] = []
  readonly said: Said[] = []
  private lines: EventLine[] = []
  private unsafe: EventLine[] = []
  private checkpoint: Record<string, number> = {}
  private boots = 1
  private clock: number | undefined = start
  private mono = 0
  private numbers = 0
  private diskFails = false
  private kill: () => void = () => undefined
  watch = this.begin()

  private get boot(): string {
    return String(this.boots).padStart(8, '0')
  }

  private begin(): CommandWatch {
    let alive = true
    const lives = (): boolean => alive
    this.kill = () => (alive = false)
    const numbers = new CommandNumbers(this.checkpoint)
    for (const line of this.lines) numbers.add(line)
    const watch = new CommandWatch(
      { signers: () => known, keepsNumbers: true },
      {
        ...{ group: 'g', station: 'gate', boot: this.boot },
        mono: () => monoSeconds(this.mono),
        utcAt: () => (this.clock === undefined ? undefined : utcMillis(this.clock)),
        event: (mono, name, details) => {
          const line: EventLine = { kind: 'event', seq: 1, boot: this.boot, mono, name, details }
          if (lives()) this.unsafe.push(line)
          return line
        },
        whenSafe: async () => {
          await Promise.resolve()
          // A kill here: the program is no more, and nothing that it awaits comes back.
          if (!lives()) return new Promise<boolean>(() => undefined)
          if (this.diskFails) return false
          this.lines.push(...this.unsafe.splice(0))
          return true
        },
        mayRead: () => false,
        act: (command) => {
          if (!lives()) return new Promise(() => undefined)
          expect(command.station).toBe('gate')
          this.ran.push(`${command.key} ${command.number}`)
          return Promise.resolve({ answer: { ok: true } })
        },
        answer: () => Promise.resolve(),
        heard: () => true,
        track: () => undefined,
        after: () => Promise.resolve(),
      },
    )
    watch.restore(numbers.highest)
    return watch
  }

  say(who: number, station: string, number = ++this.numbers): void {
    const at = utcMillis(start)
    const command = {
      ...{ group: 'g', station, boot: this.boot, key: known[who].publicKey, number: Math.max(1, number) },
      ...{ from: at, until: utcMillis(at + 3_600_000), do: 'clean', with: {} },
    }
    this.said.push({ payload: signedCommand(command, keys[who].sign), station })
    this.hear(this.said.length - 1)
  }

  hear(which: number): void {
    const said = this.said[which % Math.max(1, this.said.length)]
    if (said) this.watch.take(said.payload, {}, false)
    this.mono += 5
  }

  /** The disk may have kept what was not synced, or not; a new start of the board has another boot id. */
  restart(newBoot: boolean, keeps: boolean, state: 'saved' | 'old' | 'lost'): void {
    this.kill()
    const kept = this.unsafe.splice(0)
    if (keeps) this.lines.push(...kept)
    if (state === 'saved') this.checkpoint = this.watch.save()
    if (state === 'lost') this.checkpoint = {}
    if (newBoot) this.boots++
    this.watch = this.begin()
  }

  step(clock: number | undefined): void {
    this.clock = clock === undefined ? undefined : start + clock * 1000
  }

  breakDisk(fails: boolean): void {
    this.diskFails = fails
  }
}

const settle = async (): Promise<void> => {
  for (let n = 0; n < 40; n++) await Promise.resolve()
}

type Step = (life: Life) => void | Promise<void>
const step: fc.Arbitrary<Step> = fc.oneof(
  {
    weight: 4,
    arbitrary: fc.tuple(fc.nat(1), fc.constantFrom('gate', 'gate', 'ridge')).map(
      ([who, at]): Step =>
        (l) =>
          l.say(who, at),
    ),
  },
  {
    weight: 1,
    arbitrary: fc.tuple(fc.nat(1), fc.nat(12)).map(
      ([who, number]): Step =>
        (l) =>
          l.say(who, 'gate', number),
    ),
  },
  {
    weight: 5,
    arbitrary: fc.nat(60).map(
      (which): Step =>
        (l) =>
          l.hear(which),
    ),
  },
  { weight: 3, arbitrary: fc.constant<Step>(settle) },
  {
    weight: 2,
    arbitrary: fc.tuple(fc.boolean(), fc.boolean(), fc.constantFrom('saved', 'old', 'lost')).map(
      ([boot, keeps, state]): Step =>
        (l) =>
          l.restart(boot, keeps, state),
    ),
  },
  {
    weight: 1,
    arbitrary: fc.option(fc.integer({ min: -100_000_000, max: 100_000_000 }), { nil: undefined }).map(
      (s): Step =>
        (l) =>
          l.step(s),
    ),
  },
  {
    weight: 1,
    arbitrary: fc.boolean().map(
      (fails): Step =>
        (l) =>
          l.breakDisk(fails),
    ),
  },
)

it('runs nothing twice and nothing of another station, whatever is said again and wherever it is killed', async () => {
  const seed = Number(process.env.FUZZ_SEED ?? Date.now() % 2 ** 31)
  console.info('seed', seed)
  let ran = 0
  await fc.assert(
    fc.asyncProperty(fc.array(step, { maxLength: 40 }), async (steps) => {
      const life = new Life()
      for (const one of steps) await one(life)
      await settle()
      expect(new Set(life.ran).size).toBe(life.ran.length)
      expect(isBalanced(life.watch.counts())).toBe(true)
      ran += life.ran.length
    }),
    { numRuns: 1000, seed },
  )
  expect(ran).toBeGreaterThan(500)
})
