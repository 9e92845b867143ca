import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { performance } from 'node:perf_hooks'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { Modem, ModemPort, modemWords, smsWay, type ModemTime } from '../../agent/hardware/modem.js'
import { serialLine } from '../../agent/hardware/serial-line.js'
import { stateFile } from '../../agent/hardware/state-file.js'
import type { IncomingText, Outcome } from '../../agent/terms/terms.js'
import { startFakeModem, type FakeModem } from '../support/fake-modem.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { messageTo, wayContract } from '../support/way-contract.js'

/** Minutes of a modem are seconds here; bytes cross a real pty in real time. */
const timesFaster = 8
const fast: ModemTime = {
  nowSeconds: () => (performance.now() / 1000) * timesFaster,
  sleep: (seconds) => new Promise((resolve) => setTimeout(resolve, (seconds * 1000) / timesFaster)),
}
const to = '+15550100'
const message = (text: string, key = 'k1') => messageTo(to, { key, text })
const code = (outcome: Outcome<unknown>): string => (outcome.ok ? 'ok' : outcome.fault.code)
const detail = (outcome: Outcome<unknown>): string => (outcome.ok ? '' : outcome.fault.detail)

let pty: PtyPair
let fake: FakeModem
let folder: string
let port: ModemPort
const modems: Modem[] = []

/** Another one is another start of the agent on the same port. */
function makeModem(pin?: string, attemptSeconds = 120): Modem {
  port = new ModemPort(serialLine(pty.sensor, 115_200), fast)
  const sim = pin === undefined ? undefined : { pin, memory: stateFile(join(folder, 'sim.json')) }
  const modem = new Modem(port, { attemptSeconds, sim })
  modems.push(modem)
  return modem
}

const rigged = (): void => {
  beforeEach(async () => {
    folder = mkdtempSync(join(tmpdir(), 'motepost-modem-'))
    pty = await startPtyPair()
    fake = startFakeModem(pty, timesFaster)
  })
  afterEach(async () => {
    for (const modem of modems.splice(0)) await modem.close()
    fake.end()
    await pty.end()
    rmSync(folder, { recursive: true, force: true })
  })
}

describeWith(['socat'], 'SMS by a modem on a real pty', () => {
  rigged()

  it('sets text mode, alphabet and parameters, sends in 7-bit, and says which reference the network gave', async () => {
    const sent = await makeModem().send(message('north: PM10 162 ug/m3 @ $5 _'))
    expect(sent).toEqual({ ok: true, value: { parts: 1, words: 'the network has taken it, reference 41' } })
    expect(fake.taken).toEqual([{ to, text: 'north: PM10 162 ug/m3 @ $5 _', alphabet: '7-bit' }])
    expect(fake.commands.slice(-4)).toEqual([
      'AT+CMGF=1',
      'AT+CSCS="GSM"',
      'AT+CSMP=17,167,0,0',
      `AT+CMGS="${to}"`,
    ])
    expect(fake.commands.filter((line) => line.startsWith('AT+CPIN='))).toEqual([])
  })

  it('tells news of the modem from answers, and takes no message for a command', async () => {
    fake.news = '+CREG: 2\r\n\r\nRING\r\n\r\n+CMTI: "SM",3'
    expect(code(await makeModem().send(message('AT+CMGD=1 OK')))).toBe('ok')
    expect(fake.taken.map(({ text }) => text)).toEqual(['AT+CMGD=1 OK'])
  })

  it.each([
    [2, 'looking for a network'],
    [3, 'refused by the network'],
  ])(
    'waits for a network and says after the attempt that the modem is so (%s)',
    async (registration, words) => {
      fake.registration = registration
      const sent = await makeModem(undefined, 30).send(message('x'))
      expect(code(sent)).toBe('sms-not-registered')
      expect(detail(sent)).toContain(words)
      expect(detail(sent)).toContain('signal -71 dBm (good)')
      expect(fake.taken).toEqual([])
    },
  )

  it('sends as soon as the network has taken the modem, roaming too', async () => {
    fake.registration = 2
    const sending = makeModem().send(message('x'))
    await waitFor('the question', () => fake.commands.filter((line) => line === 'AT+CREG?').length > 2)
    fake.registration = 5
    expect(code(await sending)).toBe('ok')
  })

  it('asks no modem for what it does not know: without +CREG and its like it just sends', async () => {
    fake.unknown.push('AT+CREG', 'AT+CEREG', 'AT+CGREG', 'AT+CMEE', 'AT+CPIN')
    expect(code(await makeModem().send(message('x')))).toBe('ok')
  })

  it.each([
    [{ cms: 331 }, 'sms-failed', 'there is no network service (+CMS ERROR: 331)'],
    [{ cms: 500 }, 'sms-failed', 'unknown error (+CMS ERROR: 500)'],
    [{ cme: 31 }, 'sms-failed', 'the network did not answer in time (+CME ERROR: 31)'],
    [{ cms: 38 }, 'sms-failed', 'the network is out of order (+CMS ERROR: 38)'],
    [{ cms: 21 }, 'sms-refused', 'credit used up'],
    [{ cms: 330 }, 'sms-refused', 'service centre is not known'],
    [{ cms: 310 }, 'sms-no-sim', 'no SIM is inserted'],
    [{ cms: 513 }, 'sms-failed', 'an error of the maker’s own (+CMS ERROR: 513)'],
  ] as const)('says an error of the modem in words: %o', async (submission, wanted, words) => {
    fake.submission = submission
    const sent = await makeModem(undefined, 15).send(message('x'))
    expect(code(sent)).toBe(wanted)
    expect(detail(sent)).toContain(words)
    expect(detail(sent)).not.toContain(to)
  })

  it('goes on when the modem finds words again after errors, within one attempt, and sends once', async () => {
    fake.submission = { cms: 332 }
    const sending = makeModem().send(message('x'))
    await waitFor('three tries', () => fake.commands.filter((line) => line.startsWith('AT+CMGS')).length > 2)
    fake.submission = 'well'
    expect(code(await sending)).toBe('ok')
    expect(fake.taken).toHaveLength(1)
  })

  it('is unsure where no result comes, ends in time, and a late result counts: the next attempt sends nothing', async () => {
    fake.submission = { lateSeconds: 50 }
    const modem = makeModem(undefined, 40)
    const first = await modem.send(message('x'))
    expect(code(first)).toBe('sms-unsure')
    expect(await modem.look()).toMatchObject({ fault: { code: 'sms-failed' } })
    const second = await modem.send(message('x'))
    expect(second).toMatchObject({ ok: true, value: { parts: 1 } })
    expect(second.ok && second.value.words).toContain('late')
    expect(fake.taken).toHaveLength(1)
    fake.submission = 'well'
    expect(code(await modem.send(message('y', 'k2')))).toBe('ok')
    expect(fake.taken).toHaveLength(2)
  })

  it('sends again what it was unsure of when no result ever comes, and takes no late one for another message', async () => {
    fake.submission = 'hangs before the result'
    const modem = makeModem(undefined, 30)
    expect(code(await modem.send(message('x')))).toBe('sms-unsure')
    fake.isSilent = false
    fake.submission = 'well'
    expect(code(await modem.send(message('x')))).toBe('ok')
    expect(fake.taken.map(({ text }) => text)).toEqual(['x', 'x'])
  })

  it('gets a modem out of a prompt that the agent before it left behind', async () => {
    pty.feed(Buffer.from('\r\n> '))
    fake.submission = 'no prompt'
    const modem = makeModem()
    const sending = modem.send(message('x'))
    await waitFor('the command', () => fake.commands.some((line) => line.startsWith('AT+CMGS')))
    fake.submission = 'well'
    expect(code(await sending)).toBe('ok')
    expect(fake.taken).toHaveLength(1)
  })

  it('waits for its turn no longer than for anything else', async () => {
    fake.isSilent = true
    const modem = makeModem(undefined, 12)
    const sent = await Promise.all([modem.send(message('x')), modem.send(message('y', 'k2'))])
    expect(sent.map(code)).toEqual(['sms-silent', 'sms-failed'])
  })

  it('ends at once when the agent stops, and lets the port go', async () => {
    fake.registration = 2
    const modem = makeModem()
    const sending = modem.send(message('x'))
    await waitFor('the question', () => fake.commands.includes('AT+CREG?'))
    await modem.close()
    expect(code(await sending)).not.toBe('ok')
    const line = await serialLine(pty.sensor, 115_200).open()
    expect(code(line)).toBe('ok')
    if (line.ok) await line.value.close()
  })

  it('leaves the port to others between two messages, and tells that somebody holds it', async () => {
    const modem = makeModem(undefined, 8)
    expect(code(await modem.send(message('x')))).toBe('ok')
    const other = await serialLine(pty.sensor, 115_200).open()
    if (!other.ok) throw new Error(other.fault.detail)
    const held = await modem.send(message('y', 'k2'))
    expect(code(held)).toBe('sms-port')
    expect(detail(held)).toContain('port-busy')
    await other.value.close()
    expect(code(await modem.send(message('y', 'k2')))).toBe('ok')
  })

  it('sends to no number that is none, and lets nothing through to the modem', async () => {
    for (const wrong of ['', '12', '+1555"\r', 'warden', '+1 555 0100'])
      expect(code(await makeModem().send(messageTo(wrong)))).toBe('sms-number')
    expect(fake.commands).toEqual([])
  })
})

describeWith(['socat'], 'the text of an SMS at a modem', () => {
  rigged()

  it('is UCS-2 only when needed, and what one message left set does not spoil the next', async () => {
    const modem = makeModem()
    for (const text of ['Staub 12', 'пыль 12', 'Käse 3'])
      expect(code(await modem.send(message(text)))).toBe('ok')
    expect(fake.taken.map(({ text, alphabet }) => [text, alphabet])).toEqual([
      ['Staub 12', '7-bit'],
      ['пыль 12', 'ucs-2'],
      ['Käse 3', '7-bit'],
    ])
    expect(fake.taken.every((sms) => sms.to === to)).toBe(true)
  })

  it('becomes plain where the modem has no UCS-2, rather than not to go', async () => {
    fake.unknown.push('AT+CSCS="UCS2"')
    expect(code(await makeModem().send(message('č пыль 12')))).toBe('ok')
    expect(fake.taken).toEqual([{ to, text: 'c ???? 12', alphabet: '7-bit' }])
  })

  it('goes as numbered messages of which each fits, and a try again sends only those that are missing', async () => {
    const words = Array.from({ length: 60 }, (_, i) => `word${i}`).join(' ')
    const modem = makeModem(undefined, 15)
    const sending = modem.send(message(words))
    await waitFor('the first part', () => fake.taken.length >= 1)
    fake.submission = { cms: 331 }
    const first = await sending
    if (code(first) === 'ok') expect(fake.taken).toHaveLength(3)
    else {
      fake.submission = 'well'
      expect(await modem.send(message(words))).toMatchObject({ ok: true, value: { parts: 3 } })
    }
    const texts = fake.taken.map(({ text }) => text)
    expect(texts.map((text) => text.slice(0, 4))).toEqual(['1/3 ', '2/3 ', '3/3 '])
    expect(texts.map((text) => text.slice(4)).join(' ')).toBe(words)
    expect(texts.every((text) => text.length <= 160)).toBe(true)
  })
})

describeWith(['socat'], 'the PIN of a SIM', () => {
  rigged()
  beforeEach(() => (fake.sim = 'SIM PIN'))
  const tries = (): number => fake.commands.filter((line) => line.startsWith('AT+CPIN=')).length

  it('is entered when the modem asks, at each start of the modem', async () => {
    expect(code(await makeModem('1234').send(message('x')))).toBe('ok')
    fake.sim = 'SIM PIN'
    expect(code(await makeModem('1234').send(message('y', 'k2')))).toBe('ok')
    expect(tries()).toBe(2)
  })

  it('is tried once in its life where it is wrong, whatever restarts, and stands in no file and no fault', async () => {
    const all: Outcome<unknown>[] = []
    for (let i = 0; i < 3; i++) all.push(await makeModem('9999').send(message('x')))
    expect(all.map(code)).toEqual(['sms-pin-refused', 'sms-pin-refused', 'sms-pin-refused'])
    expect([tries(), fake.pinTries]).toEqual([1, 2])
    expect(readFileSync(join(folder, 'sim.json'), 'utf8') + JSON.stringify(all)).not.toContain('9999')
    // Another value gets its own try, and the first is not forgotten.
    expect(code(await makeModem('1234').send(message('x')))).toBe('ok')
    fake.sim = 'SIM PIN'
    expect(code(await makeModem('9999').send(message('x')))).toBe('sms-pin-refused')
    expect(tries()).toBe(2)
  })

  it('that got no answer is not sent again, and is known to be right once the modem is ready', async () => {
    fake.unknown.push('AT+CPIN=')
    expect(code(await makeModem('1234').send(message('x')))).toBe('sms-pin-refused')
    fake.unknown.splice(0)
    expect(code(await makeModem('1234').send(message('x')))).toBe('sms-pin-refused')
    expect(tries()).toBe(1)
  })

  it('is not tried where what was tried cannot be kept', async () => {
    const broken = { code: 'state-damaged', detail: 'sim.json' } as const
    port = new ModemPort(serialLine(pty.sensor, 115_200), fast)
    const memory = {
      load: async () => ({ ok: false as const, fault: broken }),
      save: async () => ({ ok: false as const, fault: broken }),
    }
    const modem = new Modem(port, { attemptSeconds: 120, sim: { pin: '1234', memory } })
    modems.push(modem)
    expect(code(await modem.send(message('x')))).toBe('state-damaged')
    expect(tries()).toBe(0)
  })

  it.each([
    ['none in the settings', undefined, 'SIM PIN', 'sms-pin-missing'],
    ['no digits in the settings', 'abcd', 'SIM PIN', 'sms-pin-missing'],
    ['a SIM that asks for its PUK', '1234', 'SIM PUK', 'sms-puk'],
    ['no SIM', '1234', { cme: 10 }, 'sms-no-sim'],
    ['a SIM that failed', '1234', { cme: 13 }, 'sms-no-sim'],
    ['another lock', '1234', 'PH-SIM PIN', 'sms-no-sim'],
  ] as const)('with %s nothing is entered', async (_, pin, sim, wanted) => {
    fake.sim = sim as FakeModem['sim']
    expect(code(await makeModem(pin).send(message('x')))).toBe(wanted)
    expect(tries()).toBe(0)
  })

  it('a SIM that is busy is waited for', async () => {
    fake.sim = { cme: 14 }
    const sending = makeModem().send(message('x'))
    await waitFor('two questions', () => fake.commands.filter((line) => line === 'AT+CPIN?').length > 1)
    fake.sim = 'READY'
    expect(code(await sending)).toBe('ok')
  })
})

describeWith(['socat'], 'SMS that came in', () => {
  rigged()

  it('are read with number and text, each by itself, and deleted then', async () => {
    fake.inbox.set(1, { from: '+15550100', body: 'K7QM' })
    fake.inbox.set(3, { from: '+15550101', body: 'OK' })
    fake.inbox.set(4, { from: '+15550102', body: '043F044B043B044C' })
    fake.inbox.set(6, { from: '+15550199', body: 'x\r\n+CMGL: 9,"REC UNREAD","+15550100",,""\r\nK7QM' })
    fake.inbox.set(7, { from: '+15550100', body: 'to be kept', state: 'STO UNSENT' })
    const heard: IncomingText[] = []
    const modem = makeModem()
    expect(await modem.readTexts((text) => void heard.push(text))).toEqual({ ok: true, value: 4 })
    expect(heard.slice(0, 3)).toEqual([
      { from: '+15550100', text: 'K7QM' },
      { from: '+15550101', text: 'OK' },
      { from: '+15550102', text: 'пыль' },
    ])
    // A text that looks like the head of another message is the text of who sent it.
    expect(heard[3].from).toBe('+15550199')
    expect([...fake.inbox.keys()]).toEqual([7])
    expect(await modem.readTexts(() => undefined)).toEqual({ ok: true, value: 0 })
  })

  it('stay where they could not be given on', async () => {
    fake.inbox.set(1, { from: '+15550100', body: 'K7QM' })
    const modem = makeModem()
    await expect(modem.readTexts(() => Promise.reject(new Error('a bug')))).rejects.toThrow('a bug')
    expect(fake.inbox.size).toBe(1)
    expect(code(await modem.send(message('x')))).toBe('ok')
  })
})

describeWith(['socat'], 'a modem that is looked at', () => {
  rigged()

  it('says SIM, network, operator and signal, and nothing is entered', async () => {
    const modem = makeModem('1234')
    const seen = await modem.look()
    expect(seen).toEqual({
      ok: true,
      value: { sim: 'ready', registration: 'home', operator: 'Hill Network', signalDbm: -71 },
    })
    if (!seen.ok) return
    expect(modemWords(seen.value, 'up')).toBe('registered at Hill Network, signal -71 dBm (good)')
    expect(modemWords(seen.value, 'down')).toContain('but no data')
    fake.sim = 'SIM PIN'
    const locked = await modem.look()
    expect(locked.ok && modemWords(locked.value, 'up')).toBe('SIM: it asks for its PIN')
    expect(fake.commands.some((line) => line.startsWith('AT+CPIN='))).toBe(false)
  })

  it('tells a port that is not there, and one that stays silent', async () => {
    fake.isSilent = true
    expect(code(await makeModem().look())).toBe('sms-silent')
    await pty.unplug()
    expect(code(await makeModem().look())).toBe('sms-port')
    await pty.replug()
  })

  it('gives its clock to who asks between two commands of a message, on the same port', async () => {
    fake.registration = 2
    const modem = makeModem()
    const sending = modem.send(message('x'))
    await waitFor('the message waits', () => fake.commands.includes('AT+CREG?'))
    const clock = await port.clockLine().open()
    if (!clock.ok) throw new Error(clock.fault.detail)
    const ask = Buffer.from('AT+CCLK?\r')
    expect(code(await clock.value.write(ask))).toBe('ok')
    let heard = ''
    await waitFor('the time', () => {
      const bytes = clock.value.readAvailable()
      if (typeof bytes !== 'string') heard += Buffer.from(bytes).toString()
      return heard !== ''
    })
    expect(heard).toBe('+CCLK: "26/03/01,13:00:07+04"\r\n')
    fake.registration = 1
    expect(code(await sending)).toBe('ok')
    await clock.value.close()
    expect(clock.value.readAvailable()).toBe('gone')
    expect(port.isOpen).toBe(false)
  })
})

describeWith(['socat'], 'SMS as a way to a person', () => {
  let way: ReturnType<typeof smsWay>
  rigged()
  beforeEach(() => (way = smsWay(makeModem(undefined, 10))))
  wayContract('SMS', () => ({
    way,
    to,
    taken: () => fake.taken.length,
    texts: () => fake.taken.map(({ text }) => text),
    become: (mood) => {
      fake.isSilent = mood === 'silent'
      fake.submission = mood === 'busy' ? { cms: 332 } : mood === 'refusing' ? { cms: 1 } : 'well'
    },
    secrets: ['15550100'],
  }))
})
