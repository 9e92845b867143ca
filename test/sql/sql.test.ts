/** The sink against a real PostgreSQL: what is in the database is asked by psql, not by our own client. */
import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import fc from 'fast-check'
import { afterAll, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { postgres } from '../../agent/hardware/postgres.js'
import { TimeTable } from '../../agent/store/store.js'
import {
  bad,
  longestRecordSeconds,
  longestSeconds,
  monoSeconds,
  utcMillis,
  utcTextMillis,
  withdrawnName,
  type AnchorLine,
  type EventLine,
  type Line,
  type RecordLine,
  type SqlDatabase,
  type SqlSession,
} from '../../agent/terms/terms.js'
import { hasOpenssl, selfSigned } from '../support/mosquitto.js'
import { hasPostgres, startPostgres, type Postgres } from '../support/postgres.js'
import { boot, note, record, storeId } from '../store/support.js'
import { databaseAt, Rig } from './support.js'

const otherStore = '99999999-2222-4333-8444-555555555555'
const records = (from: number, to: number): RecordLine[] =>
  Array.from({ length: to - from + 1 }, (_, i) => record(from + i))
const untimed = (seq: number): RecordLine => ({ ...record(seq), utc: undefined })
const anchor = (seq: number, monoAt: number, utc: number, errorSeconds = 0.5): AnchorLine => ({
  ...{
    kind: 'anchor',
    seq,
    boot,
    mono: monoSeconds(monoAt),
    utc: utcMillis(utc),
    source: 'ntp',
    errorSeconds,
  },
})

describe.skipIf(!hasPostgres)('the sink into PostgreSQL', () => {
  let server: Postgres
  beforeAll(async () => {
    server = await startPostgres()
  })
  afterAll(() => server?.remove())
  beforeEach(() => void server.ask('DROP SCHEMA IF EXISTS motepost CASCADE'))

  it('brings every line once, whatever is brought twice', async () => {
    const rig = new Rig(server, { mostLines: 300 })
    await rig.come(storeId, [...records(1, 1500), note(1501, 'a tab\t, a \\ and a "quote"')])
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({
      state: 'following',
      storesWaiting: 0,
      taken: 1501,
      given: 1501,
    })
    rig.newSink({ feed: 'another word for the same archive' })
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({
      taken: 1501,
      given: 0,
      refused: { double: 1501, different: 0 },
    })
    expect([rig.count('lines'), rig.count('records'), rig.count('events')]).toEqual([1501, 1500, 1])
    expect(rig.ask(`SELECT details ->> 'text' FROM motepost.events`)).toBe('a tab\t, a \\ and a "quote"')
    // The value of a made record says its number.
    expect(
      rig.ask(
        `SELECT count(*) FROM motepost.readings WHERE channel = 'pm2_5' AND mean = (seq % 10000) / 4.0 AND used_s = 60
         AND unit = 'ug/m3' AND scaling = 'atmospheric' AND station = 'hill' AND store_id = '${storeId}'`,
      ),
    ).toBe('1500')
    expect([...rig.standing.keys()]).toEqual([])
  })

  it('goes on where the last collector ended, and fills the gaps that come later', async () => {
    const rig = new Rig(server)
    await rig.come(storeId, records(900, 1200))
    await rig.pass()
    await rig.sink.stop()
    rig.newSink()
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ taken: 0, storesWaiting: 0 })
    await rig.come(storeId, records(1, 899))
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ taken: 899, given: 899 })
    expect(rig.ask('SELECT min(seq), max(seq), count(DISTINCT seq) FROM motepost.records')).toBe(
      '1|1200|1200',
    )
  })

  it('keeps the records of two cards of one station apart, though they have the same numbers', async () => {
    const rig = new Rig(server)
    await rig.come(storeId, records(1, 100))
    await rig.pass()
    await rig.come(otherStore, records(1, 40))
    await rig.pass()
    expect(
      rig.ask(
        `SELECT store_id, count(*) FROM motepost.readings WHERE station = 'hill' GROUP BY 1 ORDER BY 1`,
      ),
    ).toBe(`${storeId}|100\n${otherStore}|40`)
  })

  it('leaves out other content under a number that is there, and counts it', async () => {
    const rig = new Rig(server)
    await rig.come(storeId, records(1, 10))
    await rig.pass()
    rig.stores.clear()
    await rig.come(storeId, [{ ...record(3), values: [77, 60] }, record(4), record(11)])
    rig.newSink({ feed: 'an archive of another collector' })
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ given: 1, refused: { different: 1, double: 1 } })
    expect(rig.ask('SELECT vals[1] FROM motepost.records WHERE seq = 3')).toBe('0.75')
  })

  it('puts each month into a partition of its own, also one that comes later', async () => {
    const rig = new Rig(server)
    const lastOfMarch = 31 * 1440 - 10
    const at = (seq: number, minute: number): RecordLine => ({
      ...record(seq),
      utc: utcMillis(Date.UTC(2026, 2, 1) + minute * 60_000),
    })
    const far = { ...record(500), utc: utcMillis(Date.UTC(2077, 0, 1)) }
    await rig.come(storeId, [
      ...Array.from({ length: 20 }, (_, i) => at(i + 1, lastOfMarch + i)),
      untimed(400),
      far,
    ])
    await rig.pass()
    const places =
      'SELECT c.relname, count(*) FROM motepost.records r JOIN pg_class c ON c.oid = r.tableoid GROUP BY 1'
    expect(rig.ask(places).split('\n').sort()).toEqual([
      'records_2026_03|10',
      'records_2026_04|10',
      'records_elsewhen|2',
    ])
    await rig.come(storeId, [at(600, -1)])
    await rig.pass()
    expect(rig.ask(places)).toContain('records_2026_02|1')
    const plan = rig.ask(
      `EXPLAIN SELECT * FROM motepost.records WHERE at >= '2026-04-01Z' AND at < '2026-04-02Z'`,
    )
    expect(plan).toContain('records_2026_04')
    expect(plan).not.toMatch(/2026_0[23]|elsewhen/)
    rig.ask(`SELECT motepost.make_month('records', '2077-01-01')`)
    expect(rig.ask(places)).toContain('records_2077_01|1')
  })

  it('gives rows their time when it is learned later, and moves them again when it is known better', async () => {
    const rig = new Rig(server)
    const start = Date.UTC(2026, 3, 1) - 5 * 60_000
    await rig.come(storeId, [
      ...Array.from({ length: 10 }, (_, i) => untimed(i + 1)),
      { ...note(11, 'x'), mono: monoSeconds(30) },
    ])
    await rig.pass()
    expect(rig.ask('SELECT count(*), count(at) FROM motepost.records')).toBe('10|0')
    const checks = [anchor(20, 1000, start + 1_000_000)]
    await rig.come(storeId, [checks[0], ...records(21, 30)])
    await rig.pass()
    expectTimes(rig, checks)
    expect(
      rig.ask(
        'SELECT c.relname FROM motepost.records r JOIN pg_class c ON c.oid = r.tableoid WHERE seq IN (1, 10) ORDER BY seq',
      ),
    ).toBe('records_2026_03\nrecords_2026_04')
    expect(
      rig.ask(`SELECT at_by, at = '${utcTextMillis(utcMillis(start + 30_000))}' FROM motepost.events`),
    ).toBe('check|t')
    // A surer check at the beginning, 0.2 s off: those between are placed by both.
    checks.push(anchor(40, 2, start + 2200, 0.1))
    await rig.come(storeId, [checks[1]])
    await rig.pass()
    expectTimes(rig, checks)
    expect(rig.ask(`SELECT count(*) FROM motepost.records WHERE at_by = 'line'`)).toBe('10')
    expect(rig.count('records')).toBe(20)
  })

  it('takes back times that were learned from a check that was withdrawn, whichever of the two came first', async () => {
    for (const order of ['check first', 'withdrawal first']) {
      server.ask('DROP SCHEMA IF EXISTS motepost CASCADE')
      const rig = new Rig(server)
      const wrong = anchor(10, 600, Date.UTC(2031, 0, 1))
      const right = anchor(30, 1800, Date.UTC(2026, 3, 1))
      const later = [{ ...record(11), utc: utcMillis(Date.UTC(2031, 0, 1, 0, 1)) }, right]
      const gone: EventLine = {
        ...{ kind: 'event', seq: 31, boot, mono: monoSeconds(1860), name: withdrawnName },
        details: { boot, from: '10', to: '10', by: 'ntp' },
      }
      const parts: Line[][] = [[untimed(1), wrong], later, [gone]]
      for (const part of order === 'check first' ? parts : parts.reverse()) {
        await rig.come(storeId, part)
        await rig.pass()
      }
      // Number 1 is at mono 60, number 11 at 660; the right check says 1800 is the first of April.
      expect(rig.ask(`SELECT seq, at, at_by FROM motepost.records ORDER BY seq`), order).toBe(
        '1|2026-03-31 23:31:00+00|check\n11|2026-03-31 23:41:00+00|check',
      )
    }
  })

  it('loses nothing and doubles nothing when the server is killed in the middle of a COPY', async () => {
    let copies = 0
    const killing = withHook(databaseAt(server.port), async (session, statement, rows) => {
      const copied = session.copyIn(statement, rows)
      if (++copies === 3) await server.kill()
      return copied
    })
    const rig = new Rig(server, { mostLines: 500 }, killing)
    await rig.come(storeId, records(1, 3000))
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ state: 'waiting', given: 1000, storesWaiting: 1 })
    expect(rig.standing.get('sql-unreachable')?.detail).toContain(`127.0.0.1:${server.port}`)
    // While it is away the archive goes on.
    await rig.come(storeId, records(3001, 3100))
    await rig.pass(10)
    expect(rig.sink.status().state).toBe('waiting')
    await rig.pass(1000)
    expect(rig.standing.get('sql-behind')?.detail).toMatch(/of 1 stores .* 1[67] min/)
    await server.start()
    await rig.pass(400)
    expect(rig.sink.status()).toMatchObject({ state: 'following', given: 3100, storesWaiting: 0 })
    await rig.pass()
    expect([...rig.standing.keys()]).toEqual([])
    expect(rig.ask('SELECT count(*), count(DISTINCT seq), sum(seq) FROM motepost.records')).toBe(
      `3100|3100|${(3100 * 3101) / 2}`,
    )
  })

  it('has each line once after a connection that breaks at any call', async () => {
    let left = Infinity
    const breaking = withHook(databaseAt(server.port), undefined, () => --left < 0)
    const lines: Line[] = [untimed(1), ...records(2, 60), anchor(61, 3700, Date.UTC(2026, 2, 1, 1, 2))]
    let cuts = 0
    for (left = 0; ; left = ++cuts) {
      server.ask('DROP SCHEMA IF EXISTS motepost CASCADE')
      const rig = new Rig(server, { mostLines: 40 }, breaking)
      await rig.come(storeId, lines)
      await rig.pass()
      const isOver = left >= 0
      left = Infinity
      await rig.pass(400)
      await rig.pass()
      expect(rig.ask('SELECT count(*), count(at) FROM motepost.records'), `cut at call ${cuts}`).toBe('60|60')
      expect(rig.count('lines')).toBe(61)
      await rig.sink.stop()
      if (isOver) break
    }
    console.info(`the connection was cut at each of ${cuts} calls`)
    expect(cuts).toBeGreaterThan(15)
  })

  it('keeps any text as it was, but U+0000, for which the database has no place', async () => {
    const rig = new Rig(server)
    const texts = fc.sample(fc.string({ unit: 'binary', maxLength: 40 }), { numRuns: 2000, seed: 8 })
    console.info('texts: seed 8')
    await rig.come(
      storeId,
      texts.map((text, i) => note(i + 1, `\\u0000 \0${text}`)),
    )
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ taken: 2000, given: 2000 })
    // As hex digits: psql leaves out what Unicode calls no character.
    const stored = rig.ask(
      `SELECT encode(convert_to(details ->> 'text', 'UTF8'), 'hex') FROM motepost.events ORDER BY seq`,
    )
    const kept = (text: string): string =>
      `\\u0000 \0${text.replace(/\p{Cs}/gu, '\ufffd')}`.replaceAll('\0', '\ufffd')
    expect(stored.split('\n')).toEqual(texts.map((text) => Buffer.from(kept(text)).toString('hex')))
  })

  it('goes on with the other stores where one cannot be read, and with that one when it can', async () => {
    const rig = new Rig(server)
    await rig.come(storeId, records(1, 10))
    await rig.come(otherStore, records(1, 20))
    const { disk } = rig.stores.get(storeId)!
    const size = disk.size.bind(disk)
    disk.size = () => Promise.resolve(bad('disk-error', 'made'))
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ given: 20, storesWaiting: 1 })
    expect(rig.standing.get('disk-error')?.detail).toBe('made')
    disk.size = size
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ given: 30, storesWaiting: 0 })
    expect([...rig.standing.keys()]).toEqual([])
  })

  it('fills a database anew that was emptied, and survives a fault of its own', async () => {
    const rig = new Rig(server)
    await rig.come(storeId, records(1, 50))
    await rig.come(otherStore, records(1, 20))
    await rig.pass()
    server.ask('DROP SCHEMA motepost CASCADE')
    await rig.come(storeId, records(51, 60))
    await rig.pass()
    expect(rig.standing.get('sql-refused')?.detail).toContain('motepost')
    const { disk } = rig.stores.get(otherStore)!
    const list = disk.list.bind(disk)
    disk.list = () => Promise.reject(new Error('made'))
    await rig.pass(400)
    expect(rig.standing.get('sql-refused')?.detail).toBe('a fault of this program: made')
    disk.list = list
    await rig.pass(400)
    expect(rig.ask('SELECT count(*), count(DISTINCT store_no) FROM motepost.records')).toBe('80|2')
    expect([...rig.standing.keys()]).toEqual([])
  })

  it('takes numbers and times from the edges of what a line can say', async () => {
    const rig = new Rig(server)
    const at = (year: number, month = 0): number => new Date(0).setUTCFullYear(year, month, 1)
    const [latest, week] = [longestSeconds - 1, longestRecordSeconds]
    const edges: Line[] = [
      { ...record(1), utc: utcMillis(at(0)), values: [999_999_999_999_999, NaN] },
      { ...record(2), utc: utcMillis(at(9999, 11)), mono: monoSeconds(latest), values: [-0.25, 0] },
      {
        ...record(3),
        utc: undefined,
        mono: monoSeconds(latest),
        seconds: week,
        excluded: { 'no-data': week },
      },
      { ...record(999_999_999_999_999), mono: monoSeconds(latest), utc: utcMillis(at(1999, 11)) },
      anchor(5, 0, at(0)),
      anchor(6, latest, at(9999, 11)),
      { kind: 'skip', seq: 1100, from: 7, to: 1099, damaged: 3 },
      { kind: 'other', seq: 1200, text: 'later-kind'.replace('-', '') + ',1200,anything' },
    ]
    await rig.come(storeId, edges)
    await rig.pass()
    expect(rig.sink.status()).toMatchObject({ taken: 8, given: 8, refused: { unexplained: 0 } })
    expect([...rig.standing.keys()]).toEqual([])
    // The year 0 is no time of the database; then the time check of the boot places the record.
    expect(rig.ask('SELECT seq, at IS NULL, vals[1] FROM motepost.records ORDER BY seq')).toBe(
      '1|f|999999999999999\n2|t|-0.25\n3|t|0.75\n999999999999999|f|2499.75',
    )
    expect(rig.ask('SELECT kind FROM motepost.lines WHERE seq IN (1100, 1200) ORDER BY seq')).toBe(
      'skip\nlaterkind',
    )
  })

  it('says what is wrong where it is not let in, and where the schema is of another release', async () => {
    const options = {
      host: '127.0.0.1',
      port: server.port,
      database: 'motepost',
      user: 'nobody-here',
      tls: false as const,
    }
    const limits = { connectSeconds: 10, statementSeconds: 60 }
    const answer = await postgres({ ...options, ...limits, password: 'not-to-be-told' }).connect()
    expect(answer).toMatchObject({ ok: false, fault: { code: 'sql-refused-login' } })
    expect(JSON.stringify(answer)).not.toContain('not-to-be-told')
    const rig = new Rig(server)
    await rig.come(storeId, records(1, 2))
    await rig.pass()
    server.ask('UPDATE motepost.format SET number = 2')
    rig.newSink()
    await rig.pass()
    expect(rig.standing.get('sql-refused')?.detail).toBe(
      'the schema motepost is of format 2, this release writes 1',
    )
  })

  it('takes one of two collectors that begin at once as well as the other', async () => {
    const rigs = [new Rig(server, { feed: 'one' }), new Rig(server, { feed: 'other' })]
    for (const rig of rigs) await rig.come(storeId, records(1, 1000))
    await Promise.all(rigs.map((rig) => rig.pass()))
    await Promise.all(rigs.map((rig) => rig.pass(400)))
    expect(rigs.map((rig) => rig.sink.status().state)).toEqual(['following', 'following'])
    expect(rigs.reduce((sum, rig) => sum + rig.sink.status().given, 0)).toBe(1000)
    expect(rigs[0].count('records')).toBe(1000)
  })
})

describe.skipIf(!hasPostgres || !hasOpenssl)('a database elsewhere', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-tls-'))
  const certificate = selfSigned(folder, 'localhost')
  let server: Postgres
  beforeAll(async () => {
    server = await startPostgres({ password: 'open-sesame', tls: certificate })
  })
  afterAll(async () => {
    await server?.remove()
    rmSync(folder, { recursive: true, force: true })
  })

  const connect = async (password: string | undefined, ca: string | undefined) => {
    const about = { host: 'localhost', port: server.port, database: 'motepost', user: 'motepost', password }
    const connected = await postgres({
      ...about,
      tls: { ca },
      connectSeconds: 10,
      statementSeconds: 60,
    }).connect()
    if (!connected.ok) return connected.fault
    const used = await connected.value.query('SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()')
    await connected.value.end()
    return used.ok && used.value
  }

  it('is talked to over TLS, by a certificate that is checked, and a password that nobody is shown', async () => {
    const ca = readFileSync(certificate.certFile, 'utf8')
    expect(await connect('open-sesame', ca)).toEqual([{ ssl: 't' }])
    expect(await connect('open-sesame', undefined)).toMatchObject({ code: 'sql-unreachable' })
    const wrong = await connect('close-sesame', ca)
    expect(wrong).toMatchObject({ code: 'sql-refused-login' })
    expect(JSON.stringify(wrong)).not.toContain('sesame')
    expect(await connect(undefined, ca)).toMatchObject({ code: 'sql-refused-login' })
  })
})

describe('without the packages', () => {
  it('the sink says how to install them', async () => {
    const options = { host: '/run/postgresql', port: 5432, database: 'm', user: 'm', tls: false as const }
    const load = () => Promise.reject(new Error("Cannot find package 'pg'\nwith a stack"))
    const answer = await postgres({ ...options, connectSeconds: 1, statementSeconds: 1 }, load).connect()
    expect(answer).toEqual({
      ok: false,
      fault: { code: 'sql-package-missing', detail: "Cannot find package 'pg'" },
    })
  })
})

/** What the time table of the store says of rows without a time of their own, to the millisecond. */
function expectTimes(rig: Rig, checks: readonly AnchorLine[]): void {
  const table = new TimeTable(checks)
  const rows = rig.ask(
    `SELECT mono_s, (extract(epoch FROM at) * 1000)::bigint, at_error_s FROM motepost.records WHERE at_by = 'check' ORDER BY seq`,
  )
  const expected = Array.from({ length: 10 }, (_, i) => {
    const placed = table.at(boot, monoSeconds((i + 1) * 60))!
    return `${(i + 1) * 60}|${Math.round(placed.utc)}|${placed.errorSeconds}`
  })
  expect(rows.split('\n')).toEqual(expected)
}

type Copy = (
  session: SqlSession,
  statement: string,
  rows: readonly string[],
) => ReturnType<SqlSession['copyIn']>

/** A database whose copies go through `copy`, and whose connections end when `breaks` says so before a call. */
function withHook(database: SqlDatabase, copy?: Copy, breaks: () => boolean = () => false): SqlDatabase {
  const connect: SqlDatabase['connect'] = async () => {
    const connected = await database.connect()
    if (!connected.ok) return connected
    const session = connected.value
    const cut = async (): Promise<void> => (breaks() ? session.end() : undefined)
    const hooked: SqlSession = {
      query: async (text, values) => {
        await cut()
        return session.query(text, values)
      },
      copyIn: async (statement, rows) => {
        await cut()
        return copy ? copy(session, statement, rows) : session.copyIn(statement, rows)
      },
      end: () => session.end(),
    }
    return { ok: true, value: hooked }
  }
  return { name: database.name, connect }
}
