import { describe, expect, it } from 'vitest'
import { isBalanced, type FaultCode } from '../../agent/terms/terms.js'
import { anna, ben, hour, World, type Told } from './world.js'

const line = ({ rule, state, telling }: Told): string =>
  `${rule} ${telling.raised ? 'raised and over' : state}`
const lines = (world: World, alias = 'anna'): string[] => world.toldTo(alias).map(line)

describe('what is due', () => {
  it('goes to each recipient once, when it is raised and when it is over', async () => {
    const world = new World([anna, ben])
    await world.change('pm10', 'raised')
    await world.pass(hour)
    await world.change('pm10', 'over')
    await world.pass(hour)
    expect(lines(world)).toEqual(['pm10 raised', 'pm10 over'])
    expect(lines(world, 'ben')).toEqual(['pm10 raised', 'pm10 over'])
    expect(new Set(world.told.map(({ code }) => code)).size).toBe(1)
    expect(world.delivery.counts()).toEqual({ taken: 4, given: 4, held: 0, refused: { outdated: 0 } })
  })

  it('waits for one sync that holds the alert and its attempt, and goes in the same tick', async () => {
    const world = new World([anna])
    await world.change('pm10', 'raised')
    expect(world.told).toHaveLength(1)
    expect(world.syncs).toBe(2)
    const trying = world.lines.find(({ details }) => details.state === 'trying')
    expect(trying?.details).toMatchObject({ to: 'anna', way: 'sms', attempt: '1' })
    expect(JSON.stringify(world.lines)).not.toContain('5550100')
  })

  it('is not told below the priority that the recipient wants', async () => {
    const world = new World([anna, ben])
    await world.change('fan', 'raised', 'low')
    expect([lines(world), lines(world, 'ben')]).toEqual([['fan raised'], []])
  })

  it('is told once however often it is handed over', async () => {
    const world = new World([anna])
    await world.change('pm10', 'raised')
    world.tell(world.lines[0])
    await world.pass(hour)
    expect(world.told).toHaveLength(1)
    expect(world.delivery.counts().refused).toMatchObject({ known: 1 })
  })

  it('says nothing of the end of what nobody was told the beginning of', async () => {
    const world = new World([anna])
    await world.change('old', 'over')
    expect(world.told).toHaveLength(0)
    expect(world.delivery.counts().refused).toEqual({ 'never raised': 1 })
  })

  it('that was raised and over before it could be delivered becomes one message', async () => {
    const world = new World([ben])
    world.modes.sms = 'fails'
    await world.change('pm10', 'raised')
    await world.pass(600)
    await world.change('pm10', 'over')
    world.modes.sms = 'works'
    await world.pass(hour)
    expect(lines(world, 'ben')).toEqual(['pm10 raised and over'])
    expect(world.delivery.counts()).toEqual({ taken: 2, given: 1, held: 0, refused: { outdated: 1 } })
  })

  it('is the newest state where several changes waited', async () => {
    const world = new World([ben])
    await world.change('pm10', 'raised')
    world.modes.sms = 'fails'
    await world.change('pm10', 'over')
    await world.pass(60)
    await world.change('pm10', 'raised')
    world.modes.sms = 'works'
    await world.pass(2 * hour)
    expect(lines(world, 'ben')).toEqual(['pm10 raised', 'pm10 raised'])
    expect(isBalanced(world.delivery.counts())).toBe(true)
  })
})

describe('a way that fails', () => {
  it('is tried again after waits that double up to an hour, and noted ever more rarely', async () => {
    const world = new World([ben])
    world.modes.sms = 'fails'
    await world.change('pm10', 'raised')
    await world.pass(48 * hour, 60)
    const attempts = world.delivery.status(world.mono).recipients[0].waiting[0].attempts
    expect(attempts).toBeGreaterThan(30)
    expect(attempts).toBeLessThan(60)
    expect(world.states('ben').filter((state) => state.startsWith('trying'))).toHaveLength(6)
    expect(world.raised).toEqual(['sms to ben sms-failed'])
    world.modes.sms = 'works'
    await world.pass(2 * hour, 60)
    expect(world.told).toHaveLength(1)
    expect(world.raised).toEqual([])
  })

  it('gives way to the next after the stated time', async () => {
    const world = new World([anna])
    world.modes.sms = 'fails'
    await world.change('pm10', 'raised')
    await world.pass(1790)
    expect(world.told).toHaveLength(0)
    await world.pass(20)
    expect(world.told.map(({ way }) => way)).toEqual(['email'])
  })

  it('gives way at once when waiting will not help', async () => {
    const world = new World([anna])
    world.modes.sms = 'final'
    await world.change('pm10', 'raised')
    await world.pass(10)
    expect(world.told.map(({ way }) => way)).toEqual(['email'])
  })

  it('counts the time of an earlier start towards the next way', async () => {
    const world = new World([anna])
    world.modes.sms = 'fails'
    await world.change('pm10', 'raised')
    for (let i = 0; i < 4; i++) {
      await world.pass(500)
      world.synced = world.lines.length
      await world.kill(0, true)
    }
    await world.pass(10)
    expect(world.told.map(({ way }) => way)).toEqual(['email'])
  })

  it('that needs a link is not tried while there is none, and then at once', async () => {
    const world = new World([{ ...anna, ways: [anna.ways[1]] }])
    world.isLinkUp = false
    await world.change('pm10', 'raised')
    await world.pass(30 * hour, 60)
    expect(world.delivery.status(world.mono).recipients[0].waiting[0]).toMatchObject({
      attempts: 0,
      because: 'there is no link now',
    })
    world.isLinkUp = true
    await world.pass(5)
    expect(world.told).toHaveLength(1)
  })

  it('that never says whether it sent is believed after one repetition', async () => {
    const world = new World([ben])
    world.modes.sms = 'unsure-sent'
    await world.change('pm10', 'raised')
    await world.pass(24 * hour, 60)
    expect(world.told).toHaveLength(2)
    expect(new Set(world.told.map(({ message }) => message.key)).size).toBe(1)
    expect(world.delivery.counts()).toMatchObject({ given: 0, held: 0, refused: { unsure: 1 } })
    world.modes.sms = 'works'
    await world.change('pm10', 'over')
    await world.pass(hour)
    expect(lines(world, 'ben').at(-1)).toBe('pm10 over')
  })

  it('that hangs is given up, and its late answer is believed', async () => {
    const world = new World([anna])
    world.modes.sms = 'hangs-lost'
    await world.change('pm10', 'raised')
    await world.pass(300)
    const code: FaultCode = 'delivery-overdue'
    expect(world.raised).toEqual([`sms to anna ${code}`])
    expect(world.lines.at(-1)?.details).toMatchObject({ state: 'failed', fault: code })
    world.modes.sms = 'works'
    await world.pass(120)
    expect(world.told).toHaveLength(1)
    expect(world.raised).toEqual([])
  })
})

describe('the code of a message', () => {
  const codeOf = async (storeId: string, before = 0): Promise<string> => {
    const world = new World([ben], { storeId })
    for (let i = 0; i < before; i++) world.event(world.mono, 'other', {})
    await world.change('pm10', 'raised')
    return world.told[0].code
  }

  it('is the same for the same store and number of the line, also in a later release', async () => {
    expect(await codeOf('made')).toBe(await codeOf('made'))
    // Letters and digits picked by bytes of SHA-256 of 'made 1 0' (sha256sum): a kill may come with an upgrade.
    expect(await codeOf('made')).toBe('C9N4')
  })

  it('is another one for another store or line', async () => {
    const codes = [
      await codeOf('made'),
      await codeOf('other'),
      await codeOf('made', 1),
      await codeOf('made', 2),
    ]
    expect(new Set(codes).size).toBe(4)
  })
})

describe('a kill', () => {
  it('between sending and noting costs one more SMS, with the same code and key', async () => {
    const world = new World([ben])
    world.modes.sms = 'killed-sent'
    await world.change('pm10', 'raised')
    await world.pass(hour)
    expect(world.told).toHaveLength(2)
    expect(new Set(world.told.map(({ code, message }) => code + message.key)).size).toBe(1)
    await world.kill(0, true)
    await world.pass(hour)
    expect(world.told).toHaveLength(2)
  })

  it('at any other time costs none', async () => {
    const world = new World([anna, ben])
    await world.change('pm10', 'raised')
    await world.kill(0, true)
    await world.pass(hour)
    await world.kill(0, false)
    await world.pass(hour)
    expect(world.told).toHaveLength(2)
  })

  it('at each attempt, as by a supply too weak for sending, makes the attempts ever rarer, and each counts as an SMS', async () => {
    const world = new World([ben])
    world.modes.sms = 'killed-lost'
    await world.change('pm10', 'raised')
    let kills = 0
    for (let i = 0; i < 24 * 60; i++) {
      const before = world.life
      world.modes.sms = 'killed-lost'
      await world.pass(60, 60)
      if (world.life !== before) kills++
    }
    expect(kills).toBe(8)
    world.modes.sms = 'works'
    await world.pass(24 * hour, 60)
    expect(lines(world, 'ben')).toEqual(['pm10 raised'])
  })

  it('that takes the line of the telling with it leaves nobody untold', async () => {
    const world = new World([ben])
    world.isDiskWorking = false
    await world.change('pm10', 'raised')
    world.isDiskWorking = true
    await world.kill(1, true)
    expect(world.lines.map(({ name }) => name)[0]).toBe('alert')
    await world.pass(60)
    expect(lines(world, 'ben')).toEqual(['pm10 raised'])
  })
})

describe('a disk that fails', () => {
  it('holds a message up for ten minutes, and no longer', async () => {
    const world = new World([ben])
    world.isDiskWorking = false
    await world.change('pm10', 'raised')
    await world.pass(590)
    expect(world.told).toHaveLength(0)
    await world.pass(60)
    expect(world.told).toHaveLength(1)
    await world.pass(24 * hour, 60)
    expect(world.told).toHaveLength(1)
  })
})

describe('quiet hours', () => {
  it('let only high priority through, by the watch', async () => {
    const world = new World([ben])
    await world.pass(11 * hour, 60)
    await world.change('pm10', 'raised')
    await world.change('flood', 'raised', 'high')
    await world.pass(2 * hour, 60)
    expect(lines(world, 'ben')).toEqual(['flood raised'])
    await world.pass(7 * hour, 60)
    expect(lines(world, 'ben')).toEqual(['flood raised', 'pm10 raised'])
    expect(new Date(world.utc() - 3600_000).toISOString()).toMatch(/T07/)
  })

  it('do not hold while nobody knows what time it is', async () => {
    const world = new World([ben])
    await world.pass(11 * hour, 60)
    world.isClockTrusted = false
    await world.change('pm10', 'raised')
    expect(lines(world, 'ben')).toEqual(['pm10 raised'])
  })
})

describe('many alerts', () => {
  it('become six messages in an hour and one summary of the rest', async () => {
    const world = new World([anna])
    for (let i = 0; i < 30; i++) await world.change(`rule-${i}`, 'raised')
    await world.pass(hour - 10)
    const told = world.toldTo('anna')
    expect(told).toHaveLength(7)
    expect(told[6].rule).toBe('summary')
    expect(told[6].says).toHaveLength(24)
    expect(world.delivery.counts()).toMatchObject({ given: 30, held: 0 })
  })

  it('cost one more SMS when the kill comes with the summary', async () => {
    const world = new World([anna])
    for (let i = 0; i < 30; i++) await world.change(`rule-${i}`, 'raised')
    await world.pass(60)
    world.modes.sms = 'killed-sent'
    await world.pass(3 * hour)
    expect(world.told.map(({ says }) => says.length)).toEqual([1, 1, 1, 1, 1, 1, 24, 24])
    expect(world.told[7].message.key).toBe(world.told[6].message.key)
  })

  it('that may have come as a summary come again as the same one, also when each could go by itself by then', async () => {
    const world = new World([ben], { mostAnHour: 1 })
    for (let i = 0; i < 4; i++) await world.change(`rule-${i}`, 'raised')
    world.modes.sms = 'unsure-sent'
    await world.pass(140)
    expect(world.told.map(({ says }) => says.length)).toEqual([1, 3])
    world.modes.sms = 'fails'
    await world.pass(2 * hour, 60)
    world.modes.sms = 'works'
    await world.pass(4 * hour, 60)
    expect(world.told.map(({ says }) => says.length)).toEqual([1, 3, 3])
    expect(world.told[2].message.key).toBe(world.told[1].message.key)
    expect(world.delivery.counts()).toMatchObject({ given: 4, held: 0 })
  })

  it('do not hold up what is of high priority', async () => {
    const world = new World([anna])
    for (let i = 0; i < 30; i++) await world.change(`rule-${i}`, 'raised')
    await world.change('fire', 'raised', 'high')
    expect(lines(world)).toContain('fire raised')
  })

  it('never cost more than ten SMS in 24 hours, two of them kept for high priority, and say which is the last', async () => {
    const world = new World([ben])
    for (let i = 0; i < 48; i++) {
      await world.change(`rule-${i}`, 'raised')
      await world.pass(900, 60)
    }
    expect(world.told).toHaveLength(8)
    expect(world.told.map(({ telling }) => telling.lastToday === true).indexOf(true)).toBe(7)
    for (let i = 0; i < 4; i++) await world.change(`fire-${i}`, 'raised', 'high')
    expect(world.told).toHaveLength(10)
    await world.pass(72 * hour, 300)
    expect(world.delivery.counts()).toMatchObject({ held: 0, given: 52 })
    expect(world.told.filter(({ rule }) => rule === 'summary').map(({ says }) => says.length)).toEqual([
      2, 40,
    ])
  })

  it('count a long message as the SMS that it takes, and go by the next way when there are no more', async () => {
    const world = new World([anna])
    world.parts = 3
    for (let i = 0; i < 4; i++) await world.change(`rule-${i}`, 'raised')
    expect(world.told.map(({ way }) => way)).toEqual(['sms', 'sms', 'email', 'email'])
  })

  it('are counted over restarts, by UTC where the boot is another', async () => {
    const world = new World([ben])
    for (let i = 0; i < 8; i++) {
      await world.change(`rule-${i}`, 'raised')
      await world.pass(1200, 60)
    }
    await world.kill(0, true)
    await world.change('late', 'raised')
    await world.pass(20 * hour, 300)
    expect(world.told).toHaveLength(8)
    await world.pass(6 * hour, 300)
    expect(world.told).toHaveLength(9)
  })

  it('are paid: the SMS of the month are counted over restarts', async () => {
    const world = new World([ben], { smsCostCents: 9 })
    await world.change('a', 'raised')
    world.synced = world.lines.length
    await world.kill(0, true)
    await world.change('a', 'over')
    expect(world.delivery.status(world.mono).sms).toEqual({ month: '2026-03', parts: 2, costCents: 18 })
    await world.pass(31 * 24 * hour, hour)
    await world.change('b', 'raised')
    expect(world.delivery.status(world.mono).sms).toEqual({ month: '2026-04', parts: 1, costCents: 9 })
  })

  it('beyond the most rules are refused and counted, not kept', async () => {
    const world = new World([{ ...anna, ways: [{ ...anna.ways[1] }] }])
    world.modes.email = 'fails'
    for (let i = 0; i < 140; i++) await world.change(`rule-${i}`, 'raised')
    expect(world.delivery.counts()).toMatchObject({ held: 128, refused: { 'too many rules': 12 } })
    expect(isBalanced(world.delivery.counts())).toBe(true)
  })
})

describe('a rule that comes and goes', () => {
  it('is told to chatter once, and again when it stands still', async () => {
    const world = new World([anna])
    for (let i = 0; i < 200; i++) {
      await world.change('door', 'raised')
      await world.pass(600, 60)
      await world.change('door', 'over')
      await world.pass(600, 60)
    }
    expect(lines(world)).toEqual(['door raised', 'door over', 'door raised', 'door over', 'door raised'])
    expect(world.told.map(({ telling }) => telling.chatters)).toEqual([, , , , 3].map((n) => n))
    expect(world.delivery.status(world.mono).rules[0].chatters).toBe(true)
    await world.pass(2 * hour, 60)
    expect(lines(world).slice(5)).toEqual(['door raised and over'])
    await world.pass(hour, 60)
    await world.change('door', 'raised')
    expect(lines(world).slice(6)).toEqual(['door raised'])
  })
})

describe('an acknowledgement', () => {
  it('is said to those who are told later, and spares the one who gave it', async () => {
    const world = new World([anna, ben])
    world.modes.sms = 'fails'
    world.modes.email = 'fails'
    await world.change('pm10', 'raised')
    const [{ code }] = world.delivery.status(world.mono).rules
    world.delivery.heard({ from: '+1 555 0100', text: `ok ${code.toLowerCase()}` }, world.mono)
    expect(world.delivery.status(world.mono).rules[0].acknowledgedBy).toBe('anna')
    world.modes.sms = 'works'
    await world.pass(hour)
    expect(world.told.map(({ alias, telling }) => `${alias} ${telling.acknowledgedBy}`)).toEqual(['ben anna'])
    await world.change('pm10', 'over')
    expect(lines(world)).toEqual(['pm10 over'])
  })

  it('comes only from a number that is listed and may answer', async () => {
    const world = new World([anna, ben])
    await world.change('pm10', 'raised')
    const [{ code }] = world.delivery.status(world.mono).rules
    for (const from of ['+15550101', '+25550100', '5550100', ''])
      world.delivery.heard({ from, text: code }, world.mono)
    world.delivery.heard({ from: '+15550100', text: 'thank you' }, world.mono)
    const status = world.delivery.status(world.mono)
    expect([status.rules[0].acknowledgedBy, status.textsIgnored]).toEqual([undefined, 5])
  })

  it('of what is over or unknown is answered with why not', async () => {
    const world = new World([anna])
    await world.change('pm10', 'raised')
    await world.change('pm10', 'over')
    expect(world.delivery.acknowledge('pm10', 'at the station', world.mono)).toEqual({
      done: false,
      words: 'pm10 is not raised',
    })
    expect(world.delivery.acknowledge('X9X9', 'at the station', world.mono).done).toBe(false)
  })

  it('is remembered over a restart, and a new raise wants a new one', async () => {
    const world = new World([anna])
    await world.change('pm10', 'raised')
    world.delivery.acknowledge('pm10', 'at the station', world.mono)
    await world.settle()
    await world.kill(0, true)
    expect(world.delivery.status(world.mono).rules[0].acknowledgedBy).toBe('at the station')
    await world.change('pm10', 'over')
    await world.pass(hour)
    await world.change('pm10', 'raised')
    expect(world.delivery.status(world.mono).rules[0].acknowledgedBy).toBeUndefined()
  })
})

describe('a mute', () => {
  it('by SMS holds so many hours; then what is still raised is told', async () => {
    const world = new World([anna])
    await world.change('pm10', 'raised')
    const [{ code }] = world.delivery.status(world.mono).rules
    world.delivery.heard({ from: '+15550100', text: `${code} MUTE 3` }, world.mono)
    await world.pass(hour, 60)
    await world.change('pm10', 'over')
    await world.change('pm10', 'raised')
    await world.pass(1.9 * hour, 60)
    expect(lines(world)).toEqual(['pm10 raised'])
    await world.pass(0.2 * hour, 60)
    expect(lines(world)).toEqual(['pm10 raised', 'pm10 raised'])
  })

  it('swallows what was raised and over meanwhile', async () => {
    const world = new World([anna])
    world.delivery.mute('all', 4 * hour, 'at the station', world.mono)
    await world.change('pm10', 'raised')
    await world.pass(hour, 60)
    await world.change('pm10', 'over')
    await world.pass(24 * hour, 300)
    expect(world.told).toEqual([])
    expect(world.delivery.counts()).toMatchObject({ held: 0, refused: { outdated: 2 } })
  })

  it('holds over a restart for the rest of its time, and ends when it is told to', async () => {
    const world = new World([anna])
    world.delivery.mute('all', 4 * hour, 'at the station', world.mono)
    await world.settle()
    await world.pass(3 * hour, 60)
    await world.kill(0, true)
    expect(world.delivery.status(world.mono).allMutedForSeconds).toBe(hour)
    await world.change('pm10', 'raised')
    expect(world.told).toEqual([])
    world.delivery.mute('all', 0, 'at the station', world.mono)
    await world.pass(5)
    expect(lines(world)).toEqual(['pm10 raised'])
  })

  it('whose age nobody knows after a start holds an hour at most', async () => {
    const world = new World([anna])
    world.delivery.mute('all', 100 * hour, 'at the station', world.mono)
    await world.settle()
    world.isClockTrusted = false
    await world.kill(0, true)
    expect(world.delivery.status(world.mono).allMutedForSeconds).toBe(hour)
    world.isClockTrusted = true
    await world.pass(10)
    expect(world.delivery.status(world.mono).allMutedForSeconds).toBe(100 * hour - 10)
  })

  it('is no longer than a week, and of nothing unknown', () => {
    const world = new World([anna])
    expect(world.delivery.mute('all', 1e9, 'x', world.mono).words).toBe('all: muted for 168 h')
    expect(world.delivery.mute('no-rule', 60, 'x', world.mono).done).toBe(false)
    expect(world.delivery.mute('all', NaN, 'x', world.mono).done).toBe(false)
  })
})

describe('the daily line', () => {
  const daily = { ...anna, dailyLine: ['email'] } as const
  const made = (): World => {
    const world = new World([daily])
    world.dailyFacts = () => ({ battery: '12.9 V' })
    return world
  }

  it('goes once a day at its hour by the ways that are meant, muted or not, and over restarts', async () => {
    const world = made()
    await world.kill(0, true)
    world.delivery.mute('all', 100 * hour, 'x', world.mono)
    await world.pass(3 * 24 * hour, 300)
    await world.kill(0, true)
    await world.pass(hour, 60)
    const hours = world.told.map(({ at }) =>
      new Date(Date.parse('2026-03-02T12:00:00Z') + at * 1000).getUTCHours(),
    )
    expect(hours).toEqual([12, 7, 7, 7])
    expect(world.told.every(({ way, rule }) => way === 'email' && rule === 'daily')).toBe(true)
  })

  it('gives way to the next one when it could not be delivered', async () => {
    const world = made()
    await world.kill(0, true)
    await world.pass(60)
    world.modes.email = 'fails'
    await world.pass(3 * 24 * hour, 600)
    world.modes.email = 'works'
    await world.pass(2 * hour, 60)
    expect(world.told).toHaveLength(2)
  })

  it('goes without a clock too, a day after the one before', async () => {
    const world = made()
    world.isClockTrusted = false
    await world.kill(0, true)
    await world.pass(50 * hour, 300)
    expect(world.told).toHaveLength(2)
  })
})

describe('a test message', () => {
  it('goes by each way once, and says how it went', async () => {
    const world = new World([anna])
    world.modes.sms = 'fails'
    const tests = await world.delivery.sendTest('anna', world.mono)
    expect(tests).toMatchObject([
      { way: 'sms', delivered: false },
      { way: 'email', delivered: true, words: 'taken' },
    ])
    await world.pass(24 * hour, 600)
    expect(world.told).toHaveLength(1)
    expect(await world.delivery.sendTest('nobody', world.mono)).toBeUndefined()
  })

  it('does not wait for a way that is busy, and says so', async () => {
    const world = new World([ben])
    world.modes.sms = 'hangs-lost'
    await world.change('pm10', 'raised')
    world.modes.sms = 'works'
    expect(await world.delivery.sendTest('ben', world.mono)).toEqual([
      { way: 'sms', delivered: false, words: 'it is sending another message: try again' },
    ])
    expect(world.told).toEqual([])
    await world.pass(hour)
    expect(lines(world, 'ben')).toEqual(['pm10 raised'])
  })

  it('that hangs holds an alert up for as long as an attempt may take, and no longer', async () => {
    const world = new World([ben])
    world.modes.sms = 'hangs-lost'
    void world.delivery.sendTest('ben', world.mono)
    await world.settle()
    world.modes.sms = 'works'
    await world.change('pm10', 'raised')
    await world.pass(290)
    expect(world.told).toEqual([])
    await world.pass(20)
    expect(lines(world, 'ben')).toEqual(['pm10 raised'])
  })

  it('is paid like any other', async () => {
    const world = new World([{ ...ben, mostSmsADay: 2 }])
    await world.delivery.sendTest('ben', world.mono)
    await world.delivery.sendTest('ben', world.mono)
    expect(await world.delivery.sendTest('ben', world.mono)).toMatchObject([{ words: 'no more SMS today' }])
    await world.change('pm10', 'raised')
    expect(world.told).toHaveLength(2)
  })
})
