import { describe, expect, it } from 'vitest'
import { isBalanced, monoSeconds } from '../../agent/terms/terms.js'
import { readPack, receiptJson } from '../../agent/uplink/uplink.js'
import { text } from '../support/broker-contract.js'
import { asStored, MadeStation, madeBoot } from '../support/made-lines.js'
import { topic, UplinkRig } from '../support/uplink-rig.js'

const json = (bytes: Uint8Array | undefined): Record<string, unknown> =>
  JSON.parse(text(bytes ?? new Uint8Array())) as Record<string, unknown>
const bytes = (words: string): Uint8Array => new TextEncoder().encode(words)
const unreachable = { code: 'broker-unreachable', detail: 'made' } as const

/** One event line a minute, safe every five. */
const eachMinute =
  (rig: UplinkRig) =>
  (now: number): void => {
    rig.store.event(now)
    if (rig.store.newest % 5 === 0) rig.uplink.safeUpTo(rig.store.newest)
  }

async function withLines(rig: UplinkRig, count: number): Promise<UplinkRig> {
  for (let n = 0; n < count; n++) rig.store.event(n)
  rig.uplink.safeUpTo(count)
  await rig.live(60)
  return rig
}

describe('an hour with an outage', () => {
  it('ends with every line at the collector once, and everything balanced', async () => {
    const rig = new UplinkRig({ packEverySeconds: 600 })
    rig.collect()
    const station = new MadeStation(9)
    let minute = 0
    const aMinute = (): void => {
      rig.store.put(station.record(rig.store.newest + 1, minute++))
      if (minute % 5 === 0) rig.uplink.safeUpTo(rig.store.newest)
    }
    await rig.live(1200, aMinute)
    rig.broker.trouble.refuseConnect = unreachable
    rig.broker.cut('st-1')
    await rig.live(1200, aMinute)
    expect(rig.faults.standing).toContain('broker-unreachable')
    expect(rig.uplink.status(rig.now).backlog).toBeGreaterThan(15)
    rig.broker.trouble.refuseConnect = undefined
    await rig.live(1200, aMinute)
    rig.uplink.safeUpTo(rig.store.newest)
    rig.uplink.hurry()
    await rig.live(1800)
    expect(rig.archive.texts()).toEqual(rig.store.texts())
    expect(rig.collector!.lines).toMatchObject({ added: 60, doubles: 0, conflicts: 0 })
    expect(isBalanced(rig.uplink.counts())).toBe(true)
    expect(rig.uplink.counts()).toMatchObject({ taken: 60, given: 60, held: 0 })
    expect(isBalanced(rig.collector!.counts())).toBe(true)
    expect([...rig.faults.standing]).toEqual([])
  })

  it('tries fewer than 60 times an hour while the broker is away, and spreads its attempts', async () => {
    const delays = new Set<number>()
    for (const seed of [1, 2, 3]) {
      const rig = new UplinkRig({}, seed)
      rig.broker.trouble.refuseConnect = unreachable
      await rig.live(3600, () => undefined, 1)
      expect(rig.broker.connects).toBeLessThan(60)
      expect(rig.broker.connects).toBeGreaterThan(5)
      delays.add(rig.broker.connects)
      expect(rig.uplink.status(rig.now).next_attempt_s).toBeLessThanOrEqual(900)
    }
    expect(delays.size).toBeGreaterThan(1)
  })

  it('keeps its distance from a second client of the same name: under 30 connections in ten minutes', async () => {
    const rig = new UplinkRig()
    await rig.live(600, () => rig.broker.cut('st-1'), 1)
    expect(rig.broker.connects).toBeLessThan(30)
  })
})

describe('acknowledgements that go missing', () => {
  it('cost doubles, never a line, and never more than a few messages in the client', async () => {
    const rig = new UplinkRig({ packEverySeconds: 300, mostPackLines: 10 })
    rig.collect()
    await rig.live(7200, (now) => {
      eachMinute(rig)(now)
      if (rig.store.newest % 7 === 0) rig.broker.trouble.swallowAcknowledgements = 1
    })
    rig.broker.trouble.swallowAcknowledgements = 0
    rig.uplink.safeUpTo(rig.store.newest)
    await rig.live(3600)
    expect(rig.archive.texts()).toEqual(rig.store.texts())
    expect(rig.faults.times('broker-silent')).toBeGreaterThan(5)
    expect(rig.broker.mostUnanswered).toBeLessThanOrEqual(5)
    expect(rig.uplink.counts()).toMatchObject({ held: 0, given: rig.store.newest })
  })

  it('three times in a row end the connection; the next one carries on', async () => {
    const rig = new UplinkRig()
    await rig.live(60)
    rig.broker.trouble.swallowAcknowledgements = 3
    await withLines(rig, 50)
    rig.uplink.hurry()
    await rig.quiet()
    expect(rig.broker.isConnected('st-1')).toBe(false)
    rig.collect()
    await rig.live(120)
    expect(rig.archive.texts()).toEqual(rig.store.texts())
    expect(rig.faults.standing.has('broker-silent')).toBe(false)
  })
})

describe('receipts', () => {
  it('that do not come make the lines go again, and the silence is told until one comes', async () => {
    const rig = await withLines(new UplinkRig({ resendAfterSeconds: 1800 }), 20)
    expect(rig.packs).toEqual([rig.packs[0]])
    await rig.live(1700)
    expect(rig.packs).toHaveLength(1)
    await rig.live(200)
    expect(rig.packs).toHaveLength(2)
    expect(rig.faults.standing).toContain('receipt-missing')
    rig.collect()
    await rig.live(7200)
    expect(rig.archive.texts()).toEqual(rig.store.texts())
    expect(rig.faults.standing).not.toContain('receipt-missing')
    expect(rig.uplink.counts()).toMatchObject({ given: 20, held: 0 })
  })

  it('that never come cost less and less: the wait doubles up to a day', async () => {
    const rig = await withLines(new UplinkRig({ resendAfterSeconds: 3600 }), 10)
    await rig.live(7 * 86_400, () => undefined, 600)
    expect(rig.packs.length).toBeGreaterThan(4)
    expect(rig.packs.length).toBeLessThan(14)
  })

  it('name lines that the broker took and threw away as missing: those go again', async () => {
    const rig = new UplinkRig({ packEverySeconds: 600, resendAfterSeconds: 1800 })
    rig.collect()
    await rig.live(1800, (now) => {
      eachMinute(rig)(now)
      rig.broker.trouble.discard = 1000
    })
    rig.broker.trouble.discard = 0
    rig.uplink.safeUpTo(rig.store.newest)
    await rig.live(7200)
    expect(rig.archive.texts()).toEqual(rig.store.texts())
    expect(rig.uplink.counts()).toMatchObject({ held: 0 })
  })

  it('of a collector that lost its disk make everything go again', async () => {
    const rig = new UplinkRig()
    rig.collect()
    await withLines(rig, 30)
    expect(rig.uplink.counts().given).toBe(30)
    const fresh = rig.archive.constructor as new () => typeof rig.archive
    rig.archives.set(rig.store.storeId, new fresh())
    rig.collect()
    await rig.live(60)
    rig.store.event(5000)
    rig.uplink.safeUpTo(31)
    await rig.live(3700)
    expect(rig.archive.texts()).toEqual(rig.store.texts())
    expect(rig.uplink.counts()).toMatchObject({ given: 31, held: 0 })
  })

  it('about numbers that this store never gave are not believed', async () => {
    const rig = new UplinkRig()
    const claim = new Map([[rig.store.storeId, { contiguous: 500, ranges: [] }]])
    rig.broker.publish({ topic: topic('receipt'), payload: receiptJson(claim), retained: true }, 'x')
    await withLines(rig, 10)
    expect(rig.uplink.counts()).toMatchObject({ taken: 10, given: 10 })
    rig.store.event(11)
    rig.uplink.safeUpTo(11)
    await rig.live(3700)
    expect(rig.packs).toEqual([[11]])
  })

  it('that name this store and another as growing at once raise store-twins, until one names no twins', async () => {
    const rig = await withLines(new UplinkRig(), 10)
    const own = rig.store.storeId
    const receive = async (growing?: readonly string[]): Promise<void> => {
      const kept = new Map([[own, { contiguous: 10, ranges: [] }]])
      rig.broker.publish(
        { topic: topic('receipt'), payload: receiptJson(kept, growing), retained: true },
        'x',
      )
      await new Promise(setImmediate)
    }
    await receive(['another-store', 'a-third-one'])
    expect(rig.faults.standing).not.toContain('store-twins')
    await receive([own, 'another-store'])
    expect(rig.faults.standing).toContain('store-twins')
    await receive()
    expect(rig.faults.standing).not.toContain('store-twins')
  })

  it('are not waited for where the settings say there are none', async () => {
    const rig = await withLines(new UplinkRig({ receipts: 'none' }), 10)
    expect(rig.uplink.counts()).toMatchObject({ given: 10, held: 0 })
    await rig.live(86_400, () => undefined, 600)
    expect(rig.packs).toHaveLength(1)
  })

  it('that are no receipts are passed over', async () => {
    const rig = await withLines(new UplinkRig(), 5)
    for (const payload of [
      '',
      '{',
      '[]',
      'null',
      '{"v":2,"stores":{}}',
      '{"v":1,"stores":{"store-0001":null}}',
    ])
      rig.broker.publish({ topic: topic('receipt'), payload: bytes(payload), retained: false }, 'x')
    const wrong = { 'store-0001': { contiguous: 5, ranges: [[9, 7]] } }
    rig.broker.publish(
      { topic: topic('receipt'), payload: bytes(JSON.stringify({ v: 1, stores: wrong })), retained: false },
      'x',
    )
    await rig.quiet()
    expect(rig.uplink.counts()).toMatchObject({ given: 0, held: 5 })
  })
})

describe('a backlog of 70,000 lines', () => {
  it('leaves with never more than a window in the client, the present first, then the oldest', async () => {
    const rig = new UplinkRig()
    rig.collect()
    for (let n = 0; n < 70_000; n++)
      rig.store.put(
        asStored({
          kind: 'event',
          seq: n + 1,
          boot: madeBoot,
          mono: monoSeconds(n),
          name: 'made',
          details: {},
        }),
      )
    rig.uplink.safeUpTo(70_000)
    await rig.live(60)
    expect(rig.packs[0][0]).toBe(70_000 - 239)
    expect(rig.packs[0].at(-1)).toBe(70_000)
    expect(rig.packs[1][0]).toBe(1)
    expect(rig.packs[2][0]).toBe(241)
    expect(rig.broker.mostUnanswered).toBeLessThanOrEqual(5)
    expect(rig.archive.kept.size).toBe(70_000)
    expect(rig.uplink.counts()).toMatchObject({ taken: 70_000, given: 70_000, held: 0 })
    expect(rig.collector!.lines.doubles).toBe(0)
  })
})

describe('retained messages', () => {
  it('go before packs when the link comes, alerts before all', async () => {
    const rig = new UplinkRig()
    rig.broker.trouble.refuseConnect = unreachable
    rig.uplink.retain('health', bytes('{}'))
    rig.uplink.retain('averages', bytes('{}'))
    rig.uplink.retain('alerts/pm2_5-high', bytes('{"state":"raised"}'))
    await withLines(rig, 10)
    expect(rig.taken).toEqual([])
    rig.broker.trouble.refuseConnect = undefined
    await rig.live(120)
    expect(rig.taken[0]).toBe(topic('alerts/pm2_5-high'))
    expect(rig.taken.slice(1, 4).sort()).toEqual(['alive', 'averages', 'health'].map(topic))
    expect(rig.taken[4]).toBe(topic('lines'))
  })

  it('are replaced while they wait, and an equal one costs nothing', async () => {
    const rig = await withLines(new UplinkRig(), 1)
    rig.taken.length = 0
    rig.uplink.retain('health', bytes('1'))
    rig.uplink.retain('health', bytes('1'))
    await rig.quiet()
    expect(rig.taken).toEqual([topic('health')])
    rig.uplink.retain('health', bytes('2'))
    rig.uplink.retain('health', bytes('3'))
    await rig.quiet()
    expect(text(rig.broker.retained.get(topic('health'))!)).toBe('3')
  })

  it('that the broker refuses are counted and told, and hold nothing up', async () => {
    const rig = new UplinkRig()
    rig.broker.trouble.refusePublish = (name) => name === topic('health')
    rig.uplink.retain('health', bytes('1'))
    await withLines(rig, 10)
    expect(rig.packs).toHaveLength(1)
    expect(rig.faults.standing).toContain('broker-refused')
    expect(rig.uplink.status(rig.now).retained_refused).toBe(1)
    rig.broker.trouble.refusePublish = undefined
    rig.uplink.retain('health', bytes('2'))
    await rig.quiet()
    expect(rig.faults.standing).not.toContain('broker-refused')
  })

  it('say running with the session and the next contact, lost by will, and stopped at the end', async () => {
    const rig = new UplinkRig()
    rig.uplink.restore(undefined, 7, rig.now)
    await rig.live(60)
    expect(json(rig.broker.retained.get(topic('alive')))).toEqual({
      ...{ v: 1, state: 'running', boot: madeBoot, session: 7, next_contact_s: 3600 },
    })
    rig.broker.cut('st-1')
    rig.broker.releaseWills()
    expect(json(rig.broker.retained.get(topic('alive')))).toEqual({
      v: 1,
      state: 'lost',
      boot: madeBoot,
      session: 7,
    })
    await rig.live(120)
    expect(json(rig.broker.retained.get(topic('alive')))).toMatchObject({ state: 'running' })
    // A will that comes late is overwritten with the next pack.
    rig.broker.publish({ topic: topic('alive'), payload: bytes('{"state":"lost"}'), retained: true }, 'late')
    await rig.live(3700)
    expect(json(rig.broker.retained.get(topic('alive')))).toMatchObject({ state: 'running' })
    await rig.uplink.stop(rig.now)
    rig.broker.releaseWills()
    expect(json(rig.broker.retained.get(topic('alive')))).toMatchObject({ state: 'stopped' })
    expect(rig.broker.isConnected('st-1')).toBe(false)
  })
})

describe('a connection for each pack', () => {
  it('is made at pack time, ended when all is sent, and made at once when something hurries', async () => {
    const rig = new UplinkRig({ connection: 'per-pack', packEverySeconds: 3600 })
    rig.collect()
    await rig.live(3 * 3600, eachMinute(rig))
    expect(rig.broker.connects - 1).toBeGreaterThanOrEqual(3)
    expect(rig.broker.connects - 1).toBeLessThanOrEqual(4)
    expect(rig.broker.isConnected('st-1')).toBe(false)
    const before = rig.broker.connects
    rig.uplink.retain('alerts/x', bytes('{"state":"raised"}'))
    expect(rig.broker.connects).toBe(before)
    rig.uplink.hurry()
    await rig.quiet()
    expect(rig.broker.connects).toBe(before + 1)
    expect(rig.broker.retained.has(topic('alerts/x'))).toBe(true)
    await rig.live(7200)
    expect(rig.uplink.counts().held).toBe(0)
  })
})

describe('packs that cannot go', () => {
  it('are halved until the one line that the broker refuses stands alone; that is parked, told, and can be asked again', async () => {
    const rig = new UplinkRig()
    rig.collect()
    rig.broker.trouble.refusePublish = holds(17)
    await withLines(rig, 40)
    await rig.live(4 * 3600)
    expect(rig.uplink.counts()).toMatchObject({ given: 39, refused: { parked: 1 }, held: 0 })
    expect(isBalanced(rig.uplink.counts())).toBe(true)
    expect(rig.faults.standing).toContain('lines-parked')
    expect(rig.faults.standing).not.toContain('broker-refused')
    expect(rig.uplink.status(rig.now).parked).toEqual([[17, 17]])
    const tried = rig.offered
    await rig.live(7 * 86_400, () => undefined, 600)
    expect(rig.offered).toBe(tried)
    rig.broker.trouble.refusePublish = undefined
    rig.uplink.resend()
    await rig.quiet()
    expect(rig.uplink.counts()).toMatchObject({ given: 40, held: 0, refused: { parked: 0 } })
    expect(rig.faults.standing).not.toContain('lines-parked')
  })

  it('stay parked over a restart, and what a receipt names is not', async () => {
    const first = new UplinkRig()
    first.collect()
    first.broker.trouble.refusePublish = holds(17)
    await withLines(first, 40)
    await first.live(4 * 3600)
    const again = new UplinkRig()
    again.uplink.restore(JSON.parse(JSON.stringify(first.uplink.checkpoint())), 2, again.now)
    await withLines(again, 40)
    expect(again.uplink.status(again.now).parked).toEqual([[17, 17]])
    expect(again.packs).toEqual([])
    const all = new Map([[again.store.storeId, { contiguous: 40, ranges: [] }]])
    again.broker.publish({ topic: topic('receipt'), payload: receiptJson(all), retained: true }, 'x')
    await again.quiet()
    expect(again.uplink.counts()).toMatchObject({ given: 40, refused: { parked: 0 } })
  })

  it('are set aside line by line when they cannot be built, and the lines beside them go', async () => {
    const rig = new UplinkRig()
    rig.collect()
    const station = new MadeStation(4)
    for (let n = 1; n <= 9; n++) rig.store.put(station.record(n, n))
    const foreign = station.record(10, 10)
    rig.store.put({ ...foreign, line: { ...foreign.line, set: 'cffffffff' } as typeof foreign.line })
    for (let n = 11; n <= 20; n++) rig.store.put(station.record(n, n))
    rig.uplink.safeUpTo(20)
    await rig.live(60)
    expect(rig.uplink.counts()).toMatchObject({ given: 19, held: 0, refused: { unbuildable: 1 } })
    expect(rig.faults.standing).toContain('pack-refused')
  })

  it('and end the connection each time are found in halves too, while all others go on', async () => {
    const rig = new UplinkRig({ packEverySeconds: 600 })
    rig.collect()
    rig.broker.trouble.cutAtPublish = holds(17)
    await withLines(rig, 40)
    await rig.live(12 * 3600, eachMinute(rig))
    rig.uplink.safeUpTo(rig.store.newest)
    await rig.live(3600)
    expect(rig.uplink.counts()).toMatchObject({
      given: rig.store.newest - 1,
      refused: { parked: 1 },
      held: 0,
    })
    expect(rig.faults.standing).toContain('lines-parked')
    // Two losses to suspect it, one for each halving of 240 or fewer, three alone, and a connection for each.
    expect(rig.broker.connects - 1).toBeLessThan(20)
  })

  it('whatever is in them are not cut to pieces: the broker is told as denying, and left alone ever longer', async () => {
    for (const trouble of ['refusePublish', 'cutAtPublish'] as const) {
      const rig = new UplinkRig({ mostPackLines: 10 })
      rig.broker.trouble[trouble] = (name) => name === topic('lines')
      await withLines(rig, 400)
      await rig.live(86_400, () => undefined, 300)
      expect(rig.faults.standing).toContain(trouble === 'cutAtPublish' ? 'broker-denied' : 'broker-refused')
      expect(rig.offered).toBeLessThan(200)
      expect(rig.uplink.counts().held).toBe(400)
      rig.broker.trouble[trouble] = undefined
      rig.collect()
      await rig.live(8 * 3600)
      expect(rig.uplink.counts()).toMatchObject({ given: 400, held: 0 })
      expect([...rig.faults.standing]).toEqual([])
    }
  })
})

describe('a broker without room (quota exceeded)', () => {
  it('is asked again ever more seldom, for retained messages too, and loses nothing', async () => {
    const rig = new UplinkRig()
    rig.collect()
    rig.uplink.retain('health', bytes('1'))
    let offered = 0
    rig.broker.trouble.refusePublish = () => {
      offered++
      return 'broker-full'
    }
    await withLines(rig, 40)
    await rig.live(3600)
    expect(rig.faults.standing).toContain('broker-full')
    expect(rig.uplink.counts()).toMatchObject({ refused: { parked: 0 }, held: 40 })
    expect(offered).toBeLessThan(300)
    rig.broker.trouble.refusePublish = undefined
    await rig.live(2 * 3600)
    expect(rig.uplink.counts()).toMatchObject({ given: 40, held: 0 })
    expect(rig.faults.standing).not.toContain('broker-full')
    expect(rig.broker.retained.has(topic('health'))).toBe(true)
  })
})

describe('the byte budget of a day', () => {
  const thirtyDays = (rig: UplinkRig): void => {
    for (let n = 0; n < 43_200; n++) rig.store.event(n)
    rig.uplink.safeUpTo(43_200)
  }

  it('holds old lines back until the next day, sends what is new, and tells used, budget and what waits', async () => {
    const budget = 150_000
    const rig = new UplinkRig({ dailyBudgetBytes: budget, packEverySeconds: 3600 })
    rig.collect()
    thirtyDays(rig)
    const present: number[] = []
    await rig.live(20 * 3600, (now) => {
      const seq = rig.store.event(now).line.seq
      rig.uplink.safeUpTo(seq)
      if (now % 3600 < 60) present.push(seq)
    })
    const status = rig.uplink.status(rig.now)
    expect(status.waits).toBe('old lines')
    expect(status.backlog).toBeGreaterThan(1000)
    expect(status.budget.budget_kb).toBe(150)
    expect(status.budget.last_24_h_kb).toBeGreaterThan(75)
    expect(status.budget.last_24_h_kb).toBeLessThan(150)
    expect(rig.faults.standing).toContain('budget-used')
    // What was measured an hour ago is there, whatever waits behind it.
    for (const seq of present.slice(0, -2)) expect(rig.archive.kept.has(seq)).toBe(true)
    const before = rig.archive.kept.size
    await rig.live(10 * 86_400, () => undefined, 600)
    expect(rig.archive.kept.size).toBeGreaterThan(before + 10_000)
    expect(rig.uplink.status(rig.now).budget.last_24_h_kb).toBeLessThan(150)
  })

  it('is not forgotten over a restart, and never holds an alert back', async () => {
    const first = new UplinkRig({ dailyBudgetBytes: 150_000 })
    first.collect()
    thirtyDays(first)
    await first.live(7200)
    const again = new UplinkRig({ dailyBudgetBytes: 150_000 })
    again.uplink.restore(JSON.parse(JSON.stringify(first.uplink.checkpoint())), 2, again.now)
    thirtyDays(again)
    await again.live(600)
    expect(again.packs.flat().length).toBeLessThanOrEqual(240)
    expect(again.uplink.status(again.now).waits).toBe('old lines')
    again.uplink.retain('alerts/dust', bytes('{"state":"raised"}'))
    again.uplink.hurry()
    await again.quiet()
    expect(again.broker.retained.has(topic('alerts/dust'))).toBe(true)
  })

  it('counts attempts: a link that has failed all day is tried once an hour', async () => {
    const rig = new UplinkRig({ backoff: { firstSeconds: 5, mostSeconds: 60 } })
    rig.broker.trouble.refuseConnect = { code: 'broker-refused', detail: 'made' }
    for (let day = 1; day <= 3; day++) {
      await rig.live(86_400, () => undefined, 5)
      expect(rig.uplink.status(rig.now).budget.failed_attempts_24_h).toBeLessThan(180)
    }
    expect(rig.broker.connects).toBeLessThan(3 * 180)
    rig.broker.trouble.refuseConnect = undefined
    await rig.live(3700, () => undefined, 5)
    expect(rig.broker.isConnected('st-1')).toBe(true)
  })
})

describe('connections that end one after the other', () => {
  it('are told as a clash of client ids after the fifth, until one lasts', async () => {
    const rig = new UplinkRig()
    await rig.live(600, () => rig.broker.cut('st-1'), 1)
    expect(rig.faults.standing).toContain('client-id-clash')
    expect(rig.broker.connects).toBeLessThan(30)
    await rig.live(3600)
    expect(rig.faults.standing).not.toContain('client-id-clash')
  })
})

describe('a station without a collector', () => {
  it('hears its own message come back, and tells when a broker acknowledges and passes nothing on', async () => {
    const rig = await withLines(new UplinkRig({ receipts: 'none', packEverySeconds: 600 }), 5)
    await rig.live(1200)
    expect(rig.uplink.status(rig.now).round_trip_age_s).toBeLessThan(660)
    expect(rig.faults.standing).not.toContain('round-trip-failed')
    await rig.live(1500, () => void (rig.broker.trouble.discard = 100))
    expect(rig.faults.standing).toContain('round-trip-failed')
    rig.broker.trouble.discard = 0
    await rig.live(900)
    expect(rig.faults.standing).not.toContain('round-trip-failed')
  })

  it('is not called unheard where the broker does not let it listen', async () => {
    const rig = new UplinkRig({ receipts: 'none', packEverySeconds: 600 })
    rig.broker.trouble.refuseWish = true
    await withLines(rig, 5)
    await rig.live(3600)
    expect([...rig.faults.standing]).toEqual([])
  })

  it('says again that it is alive when something else stands on its topic, once a minute at most', async () => {
    const rig = await withLines(new UplinkRig({ receipts: 'none' }), 5)
    const late = { topic: topic('alive'), payload: bytes('{"state":"lost"}'), retained: true }
    rig.broker.publish(late, 'late will')
    await rig.quiet()
    const said = rig.taken.filter((name) => name === topic('alive')).length
    await rig.live(60)
    expect(json(rig.broker.retained.get(topic('alive')))).toMatchObject({ state: 'running' })
    expect(rig.taken.filter((name) => name === topic('alive'))).toHaveLength(said + 1)
  })
})

describe('commands', () => {
  const taker = { wanted: () => true, take: () => {}, busy: () => false }

  it('are heard or not: that of the newest connection counts, and before the first nothing is said', async () => {
    const rig = new UplinkRig()
    const line = rig.uplink.commands
    line.taker = taker
    expect(line.heard).toBeUndefined()
    await withLines(rig, 5)
    await rig.live(60)
    expect(line.heard).toBe(true)
    rig.broker.trouble.refuseCommands = true
    rig.broker.cut()
    await rig.live(600)
    expect([rig.uplink.status(rig.now).state, line.heard]).toEqual(['connected', false])
  })

  it('are not heard where nobody may give any', async () => {
    const rig = await withLines(new UplinkRig(), 5)
    await rig.live(60)
    expect(rig.uplink.commands.heard).toBe(false)
  })
})

describe('what the store gives', () => {
  it('is packed by boot: no pack has lines of two', async () => {
    const rig = new UplinkRig()
    rig.collect()
    for (let n = 0; n < 10; n++) rig.store.event(n, 'aaaaaaaa')
    for (let n = 0; n < 10; n++) rig.store.event(n, 'bbbbbbbb')
    rig.uplink.safeUpTo(20)
    await rig.live(60)
    expect(rig.packs).toEqual([range(11, 20), range(1, 10)])
  })

  it('may have holes: numbers without a line are told and not waited for', async () => {
    const rig = new UplinkRig()
    rig.collect()
    rig.store.event(1)
    rig.store.put(asStored({ kind: 'skip', seq: 65, from: 2, to: 64, damaged: 1 }))
    rig.store.event(66)
    rig.uplink.safeUpTo(66)
    await rig.live(60)
    // The collector counts the numbers of a skip line as received.
    expect(rig.uplink.counts()).toMatchObject({ taken: 66, given: 66, held: 0, refused: { 'no-line': 0 } })
    expect(json(rig.broker.retained.get(topic('receipt'))).stores).toEqual({
      [rig.store.storeId]: { contiguous: 66, ranges: [] },
    })
  })

  it('may have holes that nobody explains: set aside, counted once, and not sent again', async () => {
    for (const receipts of ['required', 'none'] as const) {
      const rig = new UplinkRig({ receipts })
      if (receipts === 'required') rig.collect()
      for (let n = 0; n < 10; n++) rig.store.event(n)
      rig.store.kept.delete(5)
      rig.uplink.safeUpTo(10)
      await rig.live(3 * 86_400, () => undefined, 600)
      expect(rig.uplink.counts()).toMatchObject({ taken: 10, given: 9, held: 0, refused: { 'no-line': 1 } })
      expect(rig.packs).toHaveLength(1)
    }
  })

  it('may be a fault: told, tried again after a minute, and nothing is lost', async () => {
    const rig = new UplinkRig()
    rig.collect()
    rig.store.broken = { code: 'disk-error', detail: 'made' }
    await withLines(rig, 10)
    expect(rig.faults.times('disk-error')).toBe(1)
    rig.store.broken = undefined
    await rig.live(120)
    expect(rig.uplink.counts()).toMatchObject({ given: 10, held: 0 })
  })
})

describe('a restart', () => {
  it('with its checkpoint sends nothing twice; without it only what no receipt names', async () => {
    const first = await withLines(new UplinkRig(), 20)
    const state = JSON.parse(JSON.stringify(first.uplink.checkpoint())) as unknown
    const again = new UplinkRig()
    again.uplink.restore(state, 2, again.now)
    await withLines(again, 20)
    expect(again.packs).toEqual([])
    expect(again.uplink.counts()).toMatchObject({ held: 20 })
    const without = new UplinkRig()
    const receipt = new Map([[without.store.storeId, { contiguous: 8, ranges: [[15, 20] as const] }]])
    without.broker.publish({ topic: topic('receipt'), payload: receiptJson(receipt), retained: true }, 'x')
    await withLines(without, 20)
    expect(without.packs).toEqual([range(9, 14)])
  })

  it('with a checkpoint of another store, or nonsense, begins anew', async () => {
    for (const state of [null, 3, [], { v: 1 }, { v: 1, storeId: 'other', sent: [], away: [[1, 20]] }]) {
      const rig = new UplinkRig()
      rig.uplink.restore(state, 1, rig.now)
      await withLines(rig, 20)
      expect(rig.packs).toEqual([range(1, 20)])
    }
    const rig = new UplinkRig()
    rig.uplink.restore({ v: 1, storeId: rig.store.storeId, sent: 'x', away: [[5, 2]] }, 1, rig.now)
    await withLines(rig, 20)
    expect(rig.packs).toEqual([range(1, 20)])
  })

  it('stops while connecting without waiting, and closes what comes of it', async () => {
    const rig = new UplinkRig()
    rig.uplink.step(monoSeconds(1))
    await rig.uplink.stop(monoSeconds(2))
    await rig.quiet()
    expect(rig.broker.isConnected('st-1')).toBe(false)
  })
})

const range = (from: number, to: number): number[] =>
  Array.from({ length: to - from + 1 }, (_, i) => from + i)

/** A pack on the topic of lines that has this number in it. */
const holds =
  (seq: number) =>
  (name: string, payload: Uint8Array): boolean => {
    if (name !== topic('lines')) return false
    const pack = readPack(payload)
    return pack.ok && pack.value.lines.some((line) => line.seq === seq)
  }
