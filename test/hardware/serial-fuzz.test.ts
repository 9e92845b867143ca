/**
 * Devices on the serial lines that say anything: a modem (and whoever sends it a text), a battery monitor with registers, one with
 * lines, a receiver of satellites. Only the time is made; what is bent are the bytes that such devices say.
 */
import { afterEach, beforeAll, beforeEach, describe, expect, it, vi } from 'vitest'
import { textGaugeOptions } from '../../agent/cli/compose-gauges.js'
import { loadGaugeLayout } from '../../agent/cli/gauge-layouts.js'
import { readModemClock, readRmc, TimeLine, type ClockReading } from '../../agent/clock/clock.js'
import { readAnswer } from '../../agent/delivery/answers.js'
import { ModbusBus } from '../../agent/hardware/modbus-bus.js'
import { ModbusGauge, type RegisterChannel } from '../../agent/hardware/modbus-gauge.js'
import { AnswerLines, ModemReader } from '../../agent/hardware/modem-answers.js'
import { Modem, ModemPort } from '../../agent/hardware/modem.js'
import { TextGauge } from '../../agent/hardware/text-gauge.js'
import { done, good, monoSeconds, type ByteLine, type IncomingText } from '../../agent/terms/terms.js'
import { withCrc } from '../support/modbus-slave.js'
import { must, throughAll, throughAllInTurn, type Mutations } from '../support/mutations.js'

/** A line that gives what `answer` says to each thing written to it, in pieces. */
class AnsweringLine implements ByteLine {
  readonly written: Buffer[] = []
  private waiting: Uint8Array[] = []

  constructor(private readonly answer: (written: Buffer) => readonly Uint8Array[]) {}

  readAvailable(): Uint8Array | 'nothing' {
    return this.waiting.shift() ?? 'nothing'
  }

  write(bytes: Uint8Array) {
    const written = Buffer.from(bytes)
    this.written.push(written)
    this.waiting.push(...this.answer(written).filter(({ length }) => length > 0))
    return Promise.resolve(done)
  }

  close() {
    return Promise.resolve()
  }
}

const factoryOf = (line: ByteLine) => ({ name: 'line', open: () => Promise.resolve(good(line)) })

const inPieces = (bytes: Buffer, mutations: Mutations): Buffer[] => {
  const cut = mutations.pick(bytes.length + 1)
  return mutations.once(2) ? [bytes] : [bytes.subarray(0, cut), bytes.subarray(cut)]
}

// ---- a modem --------------------------------------------------------------------------------------------------------

const lines = (...all: string[]): string => all.map((line) => `\r\n${line}\r\n`).join('')
/** What a modem says to each command, in form. */
const saidTo: readonly (readonly [RegExp, string])[] = [
  [
    /^AT\+CMGL/,
    lines(
      '+CMGL: 1,"REC UNREAD","+10005550100",,"26/03/01,08:00:00+00"',
      'K7A4 mute 12',
      '+CMGL: 3,"REC READ","+1",,""',
      'x',
      'OK',
    ),
  ],
  [/^AT\+CMGR/, lines('+CMGR: "REC UNREAD","+10005550100",,"26/03/01,08:00:00+00"', 'K7A4 mute 12', 'OK')],
  [/^AT\+CPIN\?/, lines('+CPIN: READY', 'OK')],
  [/^AT\+C(REG|EREG|GREG)\?/, lines('+CREG: 0,1', '+CEREG: 0,1', '+CGREG: 2,1,"00C3","01A2",7', 'OK')],
  [/^AT\+COPS\?/, lines('+COPS: 0,0,"network",7', 'OK')],
  [/^AT\+CSQ/, lines('+CSQ: 21,99', 'OK')],
  [/^AT\+CMGS=/, '\r\n> '],
  [/\u001a$/, lines('+CMGS: 41', 'OK')],
  [/^AT/, lines('OK')],
]
const others = lines('+CME ERROR: 10', '+CMS ERROR: 321', 'ERROR', 'RING', '+CMTI: "SM",3', '> ', '0', '4')

function modemAnswer(written: Buffer, mutations: Mutations): readonly Buffer[] {
  const command = written.toString('latin1').replace(/\r$/, '')
  const whole = Buffer.from(saidTo.find(([shape]) => shape.test(command))?.[1] ?? '', 'latin1')
  const bent = mutations.once(8) ? mutations.bent(whole, Buffer.from(others)) : whole
  return inPieces(bent, mutations)
}

/** All that this program ever writes to a modem: no part of an answer comes back in it but a small number. */
const writes =
  /^(AT(Q0V1E0|\+(CMEE=1|CPIN\?|CMGF=1|C(REG|EREG|GREG)\?|COPS\?|CSQ|CMGL="ALL"|CNMI=2,1,0,0,0|CSCS="(GSM|UCS2)"|CSMP=17,167,0,[08]|CMGR=\d{1,5}|CMGD=\d{1,5}|CMGS="[+0-9A-F]{3,70}"))\r|\u001b|[^\u001a\u001b]{1,160}\u001a)$/s

describe('a modem that says anything', () => {
  it('ends each attempt with a value and in its time, and never has its own words sent back to it', async () => {
    const ends = await throughAllInTurn({
      what: 'modems',
      inputs: 1200,
      make: (mutations) => ({ mutations, what: mutations.of(['texts', 'look', 'send'] as const) }),
      hold: async ({ mutations, what }) => {
        let now = 0
        const time = {
          nowSeconds: () => now,
          sleep: (seconds: number) => Promise.resolve(void (now += seconds)),
        }
        const line = new AnsweringLine((written) => modemAnswer(written, mutations))
        const modem = new Modem(new ModemPort(factoryOf(line), time))
        const texts: IncomingText[] = []
        const message = { key: 'k', to: '+10005550100', subject: 's', text: 'dust above 50', facts: {} }
        const outcome =
          what === 'look'
            ? await modem.look()
            : what === 'send'
              ? await modem.send(message as unknown as Parameters<typeof modem.send>[0])
              : await modem.readTexts((text) => void texts.push(text))
        must(now <= 200, `it took ${now} s`)
        for (const written of line.written)
          must(writes.test(written.toString('latin1')), JSON.stringify(written.toString('latin1')))
        must(texts.length <= 50, `${texts.length} texts`)
        for (const { from, text } of texts)
          must(from.length <= 80 && text.length <= 320, `a text of ${text.length} from ${from}`)
        if (!outcome.ok)
          must(
            outcome.fault.code.startsWith('sms-') && outcome.fault.detail.length <= 5000,
            outcome.fault.code,
          )
        await modem.close()
        return `${what}: ${outcome.ok ? 'well' : outcome.fault.code}`
      },
    })
    for (const what of ['texts', 'look', 'send']) expect(ends.get(`${what}: well`)).toBeGreaterThan(20)
    expect(ends.size).toBeGreaterThan(8)
  })

  it('has the same lines in whatever pieces they come, and holds no more than the longest', () => {
    const whole = Buffer.from(saidTo.map(([, said]) => said).join('') + others, 'latin1')
    throughAll({
      what: 'bytes of a modem',
      inputs: 10_000,
      make: (mutations) => {
        const bytes = mutations.once(50) ? Buffer.alloc(mutations.pick(20_000), 'x') : mutations.bent(whole)
        return {
          bytes,
          cut: mutations.pick(bytes.length + 1),
          ask: mutations.of(['+CMGR:', '+CSQ:', undefined]),
        }
      },
      hold: ({ bytes, cut, ask }) => {
        const atOnce = new ModemReader().take(bytes)
        const reader = new ModemReader()
        const pieces = [...reader.take(bytes.subarray(0, cut)), ...reader.take(bytes.subarray(cut))]
        const isShort = atOnce.every(({ length }) => length <= 4096) && bytes.length <= 4096
        must(!isShort || JSON.stringify(pieces) === JSON.stringify(atOnce), 'other lines')
        must(JSON.stringify(reader).length <= 5 * 4096, 'it holds more than a line')
        const answer = new AnswerLines(
          {
            text: 'AT',
            limitSeconds: 1,
            ...(ask === undefined ? {} : { expects: ask, carriesText: 'after the first line' as const }),
          },
          () => undefined,
        )
        for (const line of pieces) {
          const end = answer.take(line)
          if (!end) continue
          must(end.kind !== 'ok' || end.lines.length <= 400, 'more lines than are kept')
          return end.kind
        }
        return 'no end'
      },
    })
  })

  it('brings texts of people that are a wish or none', () => {
    throughAll({
      what: 'texts of people',
      inputs: 10_000,
      make: (mutations) =>
        mutations.bentText(mutations.of(['K7A4', 'k7a4 mute 12', 'please: K7A4, mute 0!', 'see you at 8'])),
      hold: (text) => {
        const wish = readAnswer(text)
        if (!wish) return 'none'
        must(/^[A-Z]\d[A-Z]\d$/.test(wish.code), wish.code)
        if (wish.do === 'mute')
          must(
            Number.isSafeInteger(wish.seconds) && wish.seconds >= 0 && wish.seconds <= 999 * 3600,
            `${wish.seconds} s`,
          )
        return wish.do
      },
    })
  })
})

// ---- what tells the time --------------------------------------------------------------------------------------------

const sentence = (body: string): string =>
  `$${body}*${[...body]
    .reduce((sum, c) => sum ^ c.charCodeAt(0), 0)
    .toString(16)
    .toUpperCase()
    .padStart(2, '0')
    .slice(-2)}`
const rmc = 'GPRMC,083015.25,A,0000.00,N,00000.00,E,0.0,0.0,010326,,,A'
const cclk = '+CCLK: "26/03/01,08:30:15+04"'

describe('what tells the time', () => {
  it('tells one that a calendar has, or none, and exactly the digits that came', () => {
    const ends = throughAll({
      what: 'times',
      inputs: 20_000,
      make: (mutations) => {
        if (mutations.once(2)) return mutations.bentText(cclk)
        // The sum is made right again, or nothing but the sum would be looked at.
        return mutations.once(3) ? mutations.bentText(sentence(rmc)) : sentence(mutations.bentText(rmc))
      },
      hold: (line) => {
        const read: ClockReading | undefined = line.startsWith('$') ? readRmc(line) : readModemClock(line)
        if (!read) return 'nothing'
        if (!read.ok) return read.why
        must(read.utc >= Date.UTC(1980, 0) - 86_400_000 && read.utc <= Date.UTC(2080, 0, 2), `${read.utc}`)
        // The digits of day, month and year, in the order of the sentence, against those of the time that was read.
        if (line.startsWith('$')) {
          const [, clock, , , , , , , , day] = line.split('*')[0].split(',')
          const at = new Date(Math.floor(read.utc / 1000) * 1000 - (clock.slice(4, 6) === '60' ? 1000 : 0))
          const digits = at.toISOString().replace(/\D/g, '')
          must(
            digits.slice(6, 8) + digits.slice(4, 6) + digits.slice(2, 4) === day,
            `${day} became ${digits}`,
          )
          must(digits.slice(8, 12) === clock.slice(0, 4), `${clock} became ${digits}`)
        }
        return 'told'
      },
    })
    expect(ends.get('told')).toBeGreaterThan(500)
  })

  it('is listened to for a bounded time and text, whatever comes', async () => {
    const whole = Buffer.from(`${sentence(rmc)}\r\n${sentence(rmc.replace('15.25', '16.25'))}\r\n${cclk}\r\n`)
    await throughAllInTurn({
      what: 'lines that tell the time',
      inputs: 500,
      make: (mutations) =>
        Array.from({ length: 1 + mutations.pick(90) }, () =>
          mutations.once(3) ? whole : mutations.bent(whole),
        ),
      hold: async (pulls) => {
        const waiting = [...pulls]
        let told = 0
        const line: ByteLine = {
          readAvailable: () => waiting.shift() ?? 'nothing',
          write: () => Promise.resolve(done),
          close: () => Promise.resolve(),
        }
        const source = {
          source: 'satellite',
          line: factoryOf(line),
          read: readRmc,
          lateSeconds: 0,
          errorSeconds: 1,
          everySeconds: 3600,
        }
        const listening = new TimeLine(
          source,
          monoSeconds(0),
          () => undefined,
          (_, news) => {
            told++
            if ('claim' in news) must(Math.abs(news.claim.utc) < 8.64e15, `${news.claim.utc}`)
          },
        )
        for (let now = 0; now <= 61 && told === 0; now++) {
          listening.tick(monoSeconds(now))
          await Promise.resolve()
          must(JSON.stringify(listening).length < 20_000, 'it holds more than a line')
        }
        must(told === 1, 'it listens on')
        return 'told or given up'
      },
    })
  })
})

// ---- gauges ---------------------------------------------------------------------------------------------------------

describe('a device with registers that answers anything', () => {
  // Loaded while time is real: the bus loads it with the first request.
  beforeAll(() => import('modbus-serial'))
  beforeEach(
    () => void vi.useFakeTimers({ toFake: ['setTimeout', 'clearTimeout', 'setInterval', 'clearInterval'] }),
  )
  afterEach(() => void vi.useRealTimers())

  it('gives each channel the number that its registers hold, or says why none', async () => {
    const channel = (
      name: string,
      register: number,
      more: Partial<RegisterChannel> = {},
    ): RegisterChannel => ({
      ...{ channel: name, table: 'input', register, bits: 16, signed: false, firstWord: 'high', scale: 0.01 },
      ...more,
    })
    const channels = [channel('battery_voltage', 0), channel('solar_power', 2, { bits: 32, signed: true })]
    const ends = await throughAllInTurn({
      what: 'answers of a device',
      inputs: 1000,
      make: (mutations) => mutations,
      hold: async (mutations) => {
        const body = [1, 4, 8, ...Array.from({ length: 8 }, () => mutations.pick(256))]
        const whole = withCrc(body)
        const odd = mutations.of([
          () => mutations.bent(whole),
          // Right again by its sum: what is odd is what it says.
          () => withCrc([...mutations.bent(Buffer.from(body))]),
          () => withCrc([1, 0x84, mutations.pick(256)]),
          () => Buffer.concat([mutations.noise(30), whole]),
          () => mutations.noise(300),
        ])
        const answer = mutations.once(4) ? whole : odd()
        const line = new AnsweringLine(() => inPieces(answer, mutations))
        const bus = new ModbusBus(factoryOf(line))
        const reading = new ModbusGauge(bus, 1, channels).read()
        await vi.advanceTimersByTimeAsync(3000)
        const [volts, power] = await reading
        await bus.close()
        for (const { value } of [volts, power]) {
          if (value.ok) must(Number.isFinite(value.value), `${value.value}`)
          else
            must(
              ['gauge-missing', 'port-gone'].includes(value.fault.code) && value.fault.detail.length < 400,
              value.fault.detail,
            )
        }
        if (volts.value.ok)
          must(volts.value.value >= 0 && volts.value.value <= 655.35, `${volts.value.value} V`)
        if (answer === whole)
          must(volts.value.ok && volts.value.value === whole.readUInt16BE(3) * 0.01, 'not as it stands')
        return volts.value.ok ? 'read' : 'missing'
      },
    })
    expect(ends.get('read')).toBeGreaterThan(200)
    expect(ends.get('missing')).toBeGreaterThan(200)
  })
})

describe('a device with lines that says anything', () => {
  it('gives finite numbers of a whole line, or says why none', async () => {
    const layout = loadGaugeLayout('example-text-lines')
    if (!layout.ok || layout.value.kind !== 'text') throw new Error('no layout of text lines')
    const { value } = layout
    const whole = Buffer.from('V=12.81;I=-0.32\r\n'.repeat(5))
    const ends = await throughAllInTurn({
      what: 'lines of a device',
      inputs: 3000,
      make: (mutations) => [
        Buffer.from('\n'),
        mutations.bent(whole),
        mutations.once(20) ? Buffer.alloc(70_000, 'V') : mutations.bent(whole),
      ],
      hold: async (pieces) => {
        const line = new AnsweringLine(() => [])
        const waiting = [...pieces]
        line.readAvailable = () => waiting.shift() ?? 'nothing'
        const gauge = new TextGauge(
          { ...textGaugeOptions(value), line: factoryOf(line), listenSeconds: 0 },
          () => 1000,
        )
        const readings = [...(await gauge.read()), ...(await gauge.read()), ...(await gauge.read())]
        for (const { value: read } of readings)
          if (read.ok) must(Number.isFinite(read.value), `${read.value}`)
        await gauge.close()
        return readings.some(({ value: read }) => read.ok) ? 'read' : 'nothing'
      },
    })
    expect(ends.get('read')).toBeGreaterThan(500)
  })
})
