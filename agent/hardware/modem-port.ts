import { performance } from 'node:perf_hooks'
import { bad, done, good, type ByteLine, type LineFactory, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'
import { AnswerLines, ModemReader, type Answer, type Ask } from './modem-answers.js'

/** Time as the modem's limits need it; tests let it run faster. */
export interface ModemTime {
  nowSeconds(): number
  sleep(seconds: number): Promise<void>
}

export const realModemTime: ModemTime = {
  nowSeconds: () => performance.now() / 1000,
  sleep: (seconds) => new Promise((resolve) => setTimeout(resolve, seconds * 1000)),
}

const pullEverySeconds = 0.05
const openLimitSeconds = 5
/** No more comes when nothing came for so long. */
const quietSeconds = 0.2
const mostDrainSeconds = 2
const promptLimitSeconds = 10
const clockLimitSeconds = 2
const escape = 0x1b
const controlZ = 0x1a

/**
 * The one owner of a modem's AT port. Whoever wants something of the modem (messages, the time) asks here, one command
 * after the other; the port is open while anybody uses it and free for other programs otherwise. Nothing is read while
 * nobody asks.
 */
export class ModemPort {
  private line: ByteLine | undefined
  private reader = new ModemReader()
  private users = 0
  private queue: Promise<unknown> = Promise.resolve()
  isEnded = false
  /** A late result is waited for: a command now could cut off what the modem is at. */
  isHeld = false
  /** Hears each line that is no answer. */
  onStray: (line: string) => void = () => undefined

  constructor(
    private readonly factory: LineFactory,
    readonly time: ModemTime = realModemTime,
  ) {}

  get name(): string {
    return this.factory.name
  }

  get isOpen(): boolean {
    return this.line !== undefined
  }

  /** One more user; each must `leave`. */
  enter(): void {
    this.users += 1
  }

  async leave(): Promise<void> {
    await this.inTurn(async () => {
      this.users -= 1
      if (this.users === 0) await this.shut()
    })
  }

  /** Opens the port if it is not open. Faults: those of the line. */
  open(): Promise<Outcome<void>> {
    return this.inTurn(async () => {
      if (this.line) return done
      if (this.isEnded) return bad('port-gone', `${this.name}: the agent stops`)
      const opening = this.factory.open()
      const line = await withLimit(opening, openLimitSeconds)
      if (line === 'late') {
        void opening.then(async (late) => {
          if (late.ok) await late.value.close()
        })
        return bad('port-failed', `${this.name} does not open in time`)
      }
      if (!line.ok) return line
      this.line = line.value
      this.reader = new ModemReader()
      return done
    })
  }

  shutNow(): Promise<void> {
    return this.inTurn(() => this.shut())
  }

  ask(ask: Ask): Promise<Answer> {
    return this.inTurn(() => this.exchange(ask))
  }

  /** Leaves the prompt for a text without sending it (3GPP TS 27.005, clause 3.5.1), and hears out what still comes. */
  escape(): Promise<void> {
    return this.inTurn(async () => {
      await this.line?.write(Uint8Array.of(escape))
      await this.hearOut()
    })
  }

  /** Hears what waits until the modem is quiet, so that no late result is taken for the next answer. */
  settle(): Promise<void> {
    return this.inTurn(() => this.hearOut())
  }

  /** Ends what waits for an answer, and opens nothing any more. */
  async end(): Promise<void> {
    this.isEnded = true
    await this.inTurn(() => this.shut())
  }

  /** The same port for who only asks the modem for its clock: a command written while one is under way is refused. */
  clockLine(): LineFactory {
    return {
      name: this.name,
      open: async () => {
        this.enter()
        const opened = await this.open()
        if (opened.ok) return good(new ClockView(this))
        await this.leave()
        return opened
      },
    }
  }

  private inTurn<T>(work: () => Promise<T>): Promise<T> {
    const turn = this.queue.then(work)
    this.queue = turn.catch(() => undefined)
    return turn
  }

  private async shut(): Promise<void> {
    const { line } = this
    if (line) this.drain()
    this.line = undefined
    await line?.close()
  }

  private async exchange(ask: Ask): Promise<Answer> {
    if (!this.line || this.drain() === 'gone') return this.lose()
    this.reader.forget()
    const written = await this.line.write(Buffer.from(`${ask.text}\r`, 'latin1'))
    if (!written.ok) return this.lose()
    return this.answerTo(ask)
  }

  private async answerTo(ask: Ask): Promise<Answer> {
    const answer = new AnswerLines(ask, (line) => this.onStray(line))
    const start = this.time.nowSeconds()
    const end = start + ask.limitSeconds
    let typed = false
    while (!this.isEnded) {
      const lines = this.pull()
      if (lines === 'gone') return { ...(await this.lose()), typed }
      for (const line of lines) {
        const whole = answer.take(line)
        if (whole) return whole
      }
      if (ask.typed && !typed && this.reader.isPrompted) {
        typed = true
        ask.onTyped?.()
        this.reader.forget()
        await this.line?.write(Buffer.concat([ask.typed, Uint8Array.of(controlZ)]))
      }
      const now = this.time.nowSeconds()
      const isWithoutPrompt = ask.typed && !typed && now >= start + promptLimitSeconds
      if (isWithoutPrompt || now >= end) return { kind: 'silent', typed }
      await this.time.sleep(pullEverySeconds)
    }
    return { kind: 'gone', typed }
  }

  private pull(): readonly string[] | 'gone' {
    const bytes = this.line?.readAvailable() ?? 'gone'
    return bytes === 'nothing' ? [] : bytes === 'gone' ? 'gone' : this.reader.take(bytes)
  }

  private drain(): 'heard' | 'quiet' | 'gone' {
    const lines = this.pull()
    if (lines === 'gone') return 'gone'
    for (const line of lines) if (line !== '') this.onStray(line)
    return lines.length > 0 ? 'heard' : 'quiet'
  }

  private async hearOut(): Promise<void> {
    const end = this.time.nowSeconds() + mostDrainSeconds
    let heard: string
    do {
      await this.time.sleep(quietSeconds)
      heard = this.drain()
    } while (heard === 'heard' && this.time.nowSeconds() < end)
    this.reader.forget()
    if (heard === 'gone') await this.lose()
  }

  private async lose(): Promise<{ kind: 'gone'; typed: boolean }> {
    const { line } = this
    this.line = undefined
    await line?.close()
    return { kind: 'gone', typed: false }
  }
}

/** What the clock's source sees: the answers to its own commands, and nothing of what others ask. */
class ClockView implements ByteLine {
  private waiting = ''
  private state: 'open' | 'gone' | 'closed' = 'open'
  private isAsking = false

  constructor(private readonly port: ModemPort) {}

  readAvailable(): Uint8Array | 'nothing' | 'gone' {
    if (this.state !== 'open') return 'gone'
    if (this.waiting === '') return 'nothing'
    const bytes = Buffer.from(this.waiting, 'latin1')
    this.waiting = ''
    return bytes
  }

  write(bytes: Uint8Array): Promise<Outcome<void>> {
    if (this.state !== 'open') return Promise.resolve(bad('port-gone', 'the line is closed'))
    if (this.isAsking || this.port.isHeld)
      return Promise.resolve(bad('port-busy', `${this.port.name}: the modem is being asked`))
    this.isAsking = true
    void this.ask(Buffer.from(bytes).toString('latin1').trim())
    return Promise.resolve(done)
  }

  async close(): Promise<void> {
    if (this.state === 'closed') return
    this.state = 'closed'
    await this.port.leave()
  }

  private async ask(text: string): Promise<void> {
    const answer = await this.port.ask({ text, limitSeconds: clockLimitSeconds, expects: '+CCLK:' })
    this.isAsking = false
    if (answer.kind === 'gone' && this.state === 'open') this.state = 'gone'
    if (answer.kind === 'ok') this.waiting = answer.lines.map((line) => `${line}\r\n`).join('')
  }
}
