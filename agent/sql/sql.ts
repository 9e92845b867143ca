/**
 * sql: the lines of a collector's archive in a SQL database as well, for those who want to ask in SQL.
 *
 * In: the archive's files, which are only appended to; a word when a store grew (`changed`); the time with each `step`.
 * Out: rows by identity (store and number) with the time as it is now known, partitioned by month; how far it is
 * (`status`); faults sql-*.
 * Assumed: the archive is the truth, and nothing here holds it up: the sink reads the files after the collector has written
 * them, a few milliseconds at a time. How far each file was brought is noted in the database itself, in the transaction
 * that brings the lines; so a kill at any time, an outage, or a database that was put back to yesterday costs nothing.
 * Refused: a schema of another format number. A line that is there already is a double; one whose number has other
 * content there is counted (`different`) and left out; a line that does not pass its check is counted.
 */
import {
  addSeconds,
  Backoff,
  bad,
  done,
  InFlight,
  type Fault,
  type FaultCode,
  type MonoSeconds,
  type Outcome,
  type SqlSession,
} from '../terms/terms.js'
import { Follower } from './follower.js'
import type { ArchivedStore, SqlOptions, SqlPorts, SqlStatus } from './options.js'
import { formatOf, isMade, lockSchema, schemaFormat, stagingTables, unlockSchema } from './statements.js'
import { writeBatch } from './write.js'

export * from './options.js'

interface Waiting {
  readonly store: ArchivedStore
  readonly since: MonoSeconds
}

export class SqlSink {
  private readonly inFlight = new InFlight()
  private readonly waiting = new Map<string, Waiting>()
  private session: SqlSession | undefined
  private follower: Follower | undefined
  private working = false
  private stopping = false
  private readonly backoff: Backoff
  private surveyAt = -Infinity as MonoSeconds
  /** Infinite before the first step: what waits then has waited for nobody yet. */
  private now = Infinity as MonoSeconds
  private busySince: MonoSeconds | undefined
  private taken = 0
  private given = 0
  /** Stores that could not be read; the others go on without them. */
  private aside: Waiting[] = []
  private readonly diskFaults = new Set<FaultCode>()
  private readonly refused = { double: 0, different: 0, damaged: 0, unexplained: 0 }

  constructor(
    private readonly options: SqlOptions,
    private readonly ports: SqlPorts,
  ) {
    this.backoff = new Backoff(options.backoff, ports.random)
  }

  /** Lines were added to this store, or may have been. */
  changed(store: ArchivedStore): void {
    this.wait({ store, since: this.now })
  }

  private wait(one: Waiting): void {
    const key = `${one.store.station}/${one.store.storeId}`
    const known = this.waiting.get(key)
    if (!known || known.since > one.since) this.waiting.set(key, one)
  }

  /** Time goes on; call it every few seconds. Returns at once. */
  step(now: MonoSeconds): void {
    if (this.now === Infinity)
      for (const [key, { store }] of this.waiting) this.waiting.set(key, { store, since: now })
    this.now = now
    this.tellBehind()
    if (this.stopping || this.working || !this.backoff.mayTry(now)) return
    if (this.waiting.size === 0 && now < this.surveyAt) return
    this.working = true
    this.inFlight.track(
      this.workSafely().then(async (worked) => {
        if (!worked.ok) await this.failed(worked.fault)
        this.tryAsideAgain()
        this.working = false
        this.busySince = undefined
      }),
    )
  }

  /** Whatever is wrong here, intake goes on. */
  private workSafely(): Promise<Outcome<void>> {
    return this.work().catch((error: Error) =>
      bad('sql-refused', `a fault of this program: ${error.message}`),
    )
  }

  private async work(): Promise<Outcome<void>> {
    const follower = await this.open()
    if (!follower.ok) return follower
    const surveyed = await this.survey()
    if (!surveyed.ok) return surveyed
    while (this.waiting.size > 0 && !this.stopping) {
      const written = await this.oneBatch(follower.value)
      if (!written.ok) return written
      this.backoff.wentWell()
      this.ports.faults.clear('sql-package-missing', 'sql-unreachable', 'sql-refused-login', 'sql-refused')
    }
    if (this.aside.length === 0) {
      this.ports.faults.clear(...this.diskFaults)
      this.diskFaults.clear()
    }
    return done
  }

  /** With the next step. */
  private tryAsideAgain(): void {
    for (const one of this.aside) this.wait(one)
    this.aside = []
  }

  private async open(): Promise<Outcome<Follower>> {
    if (this.follower) return { ok: true, value: this.follower }
    const connected = await this.ports.database.connect()
    if (!connected.ok) return connected
    this.session = connected.value
    const prepared = await prepare(this.session, this.options.schema)
    if (!prepared.ok) return prepared
    const { group, feed, mostLines } = this.options
    const follower = new Follower(this.session, group, mostLines, this.ports)
    const loaded = await follower.load(feed)
    if (!loaded.ok) return loaded
    this.follower = follower
    return { ok: true, value: follower }
  }

  private async survey(): Promise<Outcome<void>> {
    if (this.now < this.surveyAt) return done
    const stores = await this.ports.stores()
    if (!stores.ok) return stores
    for (const store of stores.value) this.changed(store)
    this.surveyAt = addSeconds(this.now, this.options.surveyEverySeconds)
    return done
  }

  /** Stores are taken from those that wait before they are read: what comes meanwhile puts them there again. */
  private async oneBatch(follower: Follower): Promise<Outcome<void>> {
    const read: Waiting[] = []
    let result: Outcome<unknown> = done
    for (const [key, one] of this.waiting) {
      if (follower.isFull || !result.ok) break
      this.waiting.delete(key)
      read.push(one)
      this.busySince = Math.min(this.busySince ?? Infinity, one.since) as MonoSeconds
      const whole = await follower.gather(one.store)
      if (whole.ok && !whole.value) this.wait(one)
      if (!whole.ok && !isOfDatabase(whole.fault)) this.putAside(one, whole.fault)
      else result = whole
    }
    if (result.ok) result = await this.write(follower)
    if (!result.ok) for (const one of read) this.wait(one)
    this.busySince = undefined
    return result.ok ? done : result
  }

  private putAside(one: Waiting, fault: Fault): void {
    this.aside.push(one)
    this.raise(fault)
  }

  private raise(fault: Fault): void {
    if (!isOfDatabase(fault)) this.diskFaults.add(fault.code)
    this.ports.faults.raise(fault)
  }

  private async write(follower: Follower): Promise<Outcome<void>> {
    const { taken, leftOut, ...batch } = follower.batch()
    if (batch.marks.length === 0) return done
    const written = await writeBatch(this.session!, this.options.feed, batch)
    if (!written.ok) return written
    const { given, different } = written.value
    this.taken += taken
    this.given += given
    this.refused.different += different
    this.refused.double += leftOut.double + batch.lines.length - given - different
    this.refused.damaged += leftOut.damaged
    this.refused.unexplained += leftOut.unexplained
    return done
  }

  /** The next connection may be to another database, or to an older state of it: everything is looked at anew. */
  private async failed(fault: Fault): Promise<void> {
    this.backoff.failed(this.now)
    this.surveyAt = -Infinity as MonoSeconds
    this.raise(fault)
    await this.close()
  }

  private async close(): Promise<void> {
    const { session } = this
    this.session = undefined
    this.follower = undefined
    await session?.end()
  }

  private tellBehind(): void {
    const { behindSeconds, storesWaiting } = this.status()
    if (behindSeconds < this.options.behindAfterSeconds) return this.ports.faults.clear('sql-behind')
    const detail = `${this.ports.database.name}: of ${storesWaiting} stores lines wait, the oldest for more than ${Math.floor(behindSeconds / 60)} min`
    this.ports.faults.raise({ code: 'sql-behind', detail })
  }

  status(): SqlStatus {
    const since = [...this.waiting.values()].reduce(
      (least, one) => Math.min(least, one.since),
      this.busySince ?? Infinity,
    )
    const isIdle = this.waiting.size === 0 && !this.working
    return {
      state: this.backoff.standing.failures > 0 ? 'waiting' : isIdle ? 'following' : 'catching-up',
      storesWaiting: this.waiting.size,
      behindSeconds: Number.isFinite(since) ? Math.max(0, this.now - since) : 0,
      ...{ taken: this.taken, given: this.given, refused: { ...this.refused } },
    }
  }

  settled(): Promise<void> {
    return this.inFlight.settled()
  }

  /** Ends after the batch that is under way. */
  async stop(): Promise<void> {
    this.stopping = true
    await this.inFlight.settled()
    await this.close()
  }
}

const isOfDatabase = ({ code }: Fault): boolean => code.startsWith('sql-')

/** The tables, made where there are none, and those of this session. */
async function prepare(session: SqlSession, schema: string): Promise<Outcome<void>> {
  const locked = await session.query(lockSchema)
  if (!locked.ok) return locked
  const made = await session.query(isMade)
  if (!made.ok) return made
  const make = made.value[0].made === 't' ? made : await session.query(schema)
  if (!make.ok) return make
  const format = await session.query(formatOf)
  if (!format.ok) return format
  if (format.value[0].number !== schemaFormat)
    return bad(
      'sql-refused',
      `the schema motepost is of format ${format.value[0].number}, this release writes ${schemaFormat}`,
    )
  for (const text of [unlockSchema, stagingTables]) {
    const did = await session.query(text)
    if (!did.ok) return did
  }
  return done
}
