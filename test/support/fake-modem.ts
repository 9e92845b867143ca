/**
 * A cellular modem at the far end of a real pty, as 3GPP TS 27.005 and 27.007 and ITU-T V.250 describe it, that can be told to
 * fail. Written apart from the product: its alphabet is a table of the few characters that the tests use.
 */
import type { PtyPair } from './pty.js'

export interface TakenSms {
  readonly to: string
  readonly text: string
  readonly alphabet: '7-bit' | 'ucs-2'
}

/** What happens to the next message, and to those after it. */
export type Submission =
  | 'well'
  | 'no prompt'
  | 'hangs at the prompt'
  | 'hangs before the result'
  | { readonly cms: number }
  | { readonly cme: number }
  | { readonly lateSeconds: number }

export interface FakeModem {
  /** Each command line that came, texts of messages left out. */
  readonly commands: string[]
  readonly taken: TakenSms[]
  /** Places of its message memory. */
  readonly inbox: Map<number, { from: string; body: string; state?: string }>
  sim: 'READY' | 'SIM PIN' | 'SIM PUK' | { readonly cme: number }
  pin: string
  pinTries: number
  /** Answers to nothing. */
  isSilent: boolean
  /** Answers ERROR to everything but AT itself. */
  isBooting: boolean
  registration: number
  /** Commands that it does not know (beginning of the line). */
  readonly unknown: string[]
  submission: Submission
  /** Comes between, before each answer. */
  news: string
  rssi: number
  end(): void
}

const sevenBit: Readonly<Record<number, string>> = {
  0x00: '@',
  0x02: '$',
  0x05: 'é',
  0x0f: 'å',
  0x11: '_',
  0x1e: 'ß',
  0x7b: 'ä',
  0x7c: 'ö',
  0x7e: 'ü',
}
const fromGsm = (bytes: Buffer): string =>
  [...bytes].map((code) => sevenBit[code] ?? String.fromCharCode(code)).join('')
const fromHex = (digits: string): string => Buffer.from(digits, 'hex').swap16().toString('utf16le')

/** @param timesFaster its seconds are so much shorter than real ones */
export function startFakeModem(pty: PtyPair, timesFaster = 1): FakeModem {
  let held = Buffer.alloc(0)
  let echo = true
  let words = false
  let textMode = false
  let characters = 'GSM'
  let coding = 0
  let writingTo: string | undefined
  let reference = 40
  const say = (text: string): void => void pty.feed(Buffer.from(text, 'latin1'))
  const lines = (...all: string[]): void => say(all.map((line) => `\r\n${line}\r\n`).join(''))
  const ok = (...all: string[]): void => lines(...all, 'OK')
  const later = (seconds: number, work: () => void): void =>
    void setTimeout(work, (seconds * 1000) / timesFaster).unref()

  const fake: FakeModem = {
    commands: [],
    taken: [],
    inbox: new Map(),
    sim: 'READY',
    pin: '1234',
    pinTries: 3,
    isSilent: false,
    isBooting: false,
    registration: 1,
    unknown: [],
    submission: 'well',
    news: '',
    rssi: 21,
    end: () => clearInterval(timer),
  }

  function command(line: string): void {
    fake.commands.push(line)
    if (fake.isSilent) return
    if (echo) say(`${line}\r`)
    if (fake.news) say(`\r\n${fake.news}\r\n`)
    const m = /^AT(.*)$/i.exec(line)
    if (!m) return
    const body = m[1].toUpperCase()
    if (body === '') return words ? ok() : say('0\r')
    if (/^[QVE\d]+$/.test(body)) return basic(body)
    if (fake.isBooting || fake.unknown.some((start) => line.startsWith(start))) return lines('ERROR')
    extended(m[1])
  }

  function basic(body: string): void {
    if (body.includes('V1')) words = true
    if (body.includes('E0')) echo = false
    ok()
  }

  function extended(body: string): void {
    const set = /^\+(\w+)=(.*)$/.exec(body)
    const asked = /^\+(\w+)\??$/.exec(body)
    if (asked) return ask(asked[1])
    if (!set) return lines('ERROR')
    const [, name, value] = set
    if (name === 'CPIN') return enterPin(value.replaceAll('"', ''))
    if (name === 'CMGF') textMode = value === '1'
    else if (name === 'CSCS') characters = value.replaceAll('"', '')
    else if (name === 'CSMP') coding = Number(value.split(',')[3])
    else if (name === 'CMGS') return submit(value)
    else if (name === 'CMGL') return ok(...list())
    else if (name === 'CMGR') return read(Number(value))
    else if (name === 'CMGD') fake.inbox.delete(Number(value))
    else if (!['CMEE', 'CNMI', 'COPS'].includes(name)) return lines('ERROR')
    ok()
  }

  function ask(name: string): void {
    if (name === 'CPIN')
      return typeof fake.sim === 'object' ? lines(`+CME ERROR: ${fake.sim.cme}`) : ok(`+CPIN: ${fake.sim}`)
    if (['CREG', 'CEREG', 'CGREG'].includes(name)) return ok(`+${name}: 0,${fake.registration}`)
    if (name === 'CSQ') return ok(`+CSQ: ${fake.rssi},99`)
    if (name === 'COPS') return ok('+COPS: 0,0,"Hill Network",7')
    if (name === 'CCLK') return ok('+CCLK: "26/03/01,13:00:07+04"')
    lines('ERROR')
  }

  function enterPin(value: string): void {
    if (fake.sim !== 'SIM PIN') return lines('+CME ERROR: 3')
    if (value === fake.pin) {
      fake.sim = 'READY'
      return ok()
    }
    fake.pinTries -= 1
    if (fake.pinTries === 0) fake.sim = 'SIM PUK'
    lines('+CME ERROR: 16')
  }

  function submit(value: string): void {
    const number = value.replaceAll('"', '')
    if (fake.sim !== 'READY') return lines('+CMS ERROR: 311')
    if (!textMode) return lines('+CMS ERROR: 304')
    if (fake.submission === 'no prompt') return
    writingTo = characters === 'UCS2' ? fromHex(number) : number
    say('\r\n> ')
  }

  function written(bytes: Buffer): void {
    const to = writingTo!
    writingTo = undefined
    const { submission } = fake
    if (submission === 'hangs at the prompt') return void (fake.isSilent = true)
    if (typeof submission === 'object' && 'cms' in submission) return lines(`+CMS ERROR: ${submission.cms}`)
    if (typeof submission === 'object' && 'cme' in submission) return lines(`+CME ERROR: ${submission.cme}`)
    const isUcs2 = characters === 'UCS2'
    if (isUcs2 !== (coding === 8)) return lines('+CMS ERROR: 305')
    const text = isUcs2 ? fromHex(bytes.toString('latin1')) : fromGsm(bytes)
    if (text.length > (isUcs2 ? 70 : 160)) return lines('+CMS ERROR: 305')
    fake.taken.push({ to, text, alphabet: isUcs2 ? 'ucs-2' : '7-bit' })
    if (submission === 'hangs before the result') return void (fake.isSilent = true)
    const result = () => ok(`+CMGS: ${(reference = (reference + 1) % 256)}`)
    if (typeof submission === 'object') later(submission.lateSeconds, result)
    else result()
  }

  const head = (state: string | undefined, from: string): string =>
    `"${state ?? 'REC UNREAD'}","${from}",,"26/03/01,13:00:07+04"`
  const list = (): string[] =>
    [...fake.inbox].map(([place, { from, body, state }]) => `+CMGL: ${place},${head(state, from)}\r\n${body}`)

  function read(place: number): void {
    const message = fake.inbox.get(place)
    if (!message) return lines('+CMS ERROR: 321')
    ok(`+CMGR: ${head(message.state, message.from)}\r\n${message.body}`)
  }

  /** Ctrl-Z sends, ESC cancels; what comes outside a prompt ends with CR. */
  function take(): boolean {
    if (writingTo !== undefined) {
      const end = held.findIndex((byte) => byte === 0x1a || byte === 0x1b)
      if (end < 0 || fake.isSilent) return false
      const [bytes, isSent] = [held.subarray(0, end), held[end] === 0x1a]
      held = held.subarray(end + 1)
      if (isSent) written(bytes)
      else {
        writingTo = undefined
        ok()
      }
      return true
    }
    const end = held.indexOf(0x0d)
    if (end < 0) return false
    const line = held
      .subarray(0, end)
      .toString('latin1')
      .replace(/^[^A]*/, '')
    held = held.subarray(end + 1)
    if (line !== '') command(line)
    return true
  }

  const timer = setInterval(() => {
    held = Buffer.concat([held, pty.heard()])
    while (take());
  }, 3)
  return fake
}
