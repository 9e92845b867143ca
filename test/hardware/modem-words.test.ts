import { describe, expect, it } from 'vitest'
import { AnswerLines, ModemReader, type Answer } from '../../agent/hardware/modem-answers.js'
import { errorFault, errorWords } from '../../agent/hardware/modem-errors.js'
import { readMessage } from '../../agent/hardware/modem-inbox.js'
import { readRegistration } from '../../agent/hardware/modem-network.js'
import { typedText } from '../../agent/hardware/modem-text.js'
import { modemWords, registrationOf, signalDbm } from '../../agent/hardware/modem-words.js'
import { faultCatalogue, smsTextOf } from '../../agent/terms/terms.js'

const typed = (text: string): string[] => typedText(text).parts.map((part) => smsTextOf(part))

describe('errors of a modem', () => {
  // 3GPP TS 27.007 clause 9.2 and TS 27.005 clause 3.2.5, as far as reference/protocols.md section 3.3 lists them.
  it.each(['CME', 'CMS'] as const)(
    'have words for each number that is known (%s), and the number beside',
    (family) => {
      const known = {
        CME: [3, 4, 10, 11, 12, 13, 14, 16, 20, 30, 31, 32, 100],
        CMS: [300, 302, 304, 305, 310, 311, 314, 321, 322, 330, 331, 332, 500],
      }
      for (const number of known[family]) {
        expect(errorWords(family, number)).toMatch(
          new RegExp(`^[a-z].{9,} \\(\\+${family} ERROR: ${number}\\)$`, 'i'),
        )
        expect(errorWords(family, number)).not.toContain('reserves')
      }
      expect(errorWords(family, 600)).toContain('maker’s own')
      expect(errorWords(family, 299)).toContain('the standard reserves')
      expect(errorWords(undefined, undefined)).toContain('without saying why')
    },
  )

  it('say which are worth another try: those that the reference lists, and no other of its list', () => {
    const isWorth = (family: 'CME' | 'CMS', number: number) =>
      faultCatalogue[errorFault(family, number)].transient
    for (const number of [14, 30, 31, 32]) expect(isWorth('CME', number), `${number}`).toBe(true)
    for (const number of [314, 331, 332, 500]) expect(isWorth('CMS', number), `${number}`).toBe(true)
    for (const number of [10, 11, 12, 13, 16]) expect(isWorth('CME', number), `${number}`).toBe(false)
    for (const number of [310, 311, 305]) expect(isWorth('CMS', number), `${number}`).toBe(false)
  })
})

describe('answers of a modem', () => {
  const answerTo = (ask: { text: string; expects?: string }, chunks: string[]) => {
    const reader = new ModemReader()
    const strays: string[] = []
    const lines = new AnswerLines({ limitSeconds: 1, ...ask }, (line) => strays.push(line))
    let answer: Answer | undefined
    for (const chunk of chunks)
      for (const line of reader.take(Buffer.from(chunk))) answer ??= lines.take(line)
    return { answer, strays, isPrompted: reader.isPrompted }
  }
  const csq = { text: 'AT+CSQ', expects: '+CSQ:' }

  it('are the same in pieces of one byte, with echo and with news between', () => {
    const text = 'AT+CSQ\r\r\n+CMTI: "SM",3\r\n\r\n+CSQ: 17,99\r\n\r\nRING\r\n\r\nOK\r\n'
    const whole = answerTo(csq, [text])
    expect(whole).toEqual({
      answer: { kind: 'ok', lines: ['+CSQ: 17,99'] },
      strays: ['+CMTI: "SM",3', 'RING'],
      isPrompted: false,
    })
    expect(answerTo(csq, [...text])).toEqual(whole)
  })

  it('end with an error and its number', () => {
    expect(answerTo(csq, ['\r\n+CME ERROR: 30\r\n']).answer).toMatchObject({
      kind: 'error',
      family: 'CME',
      number: 30,
    })
    expect(answerTo(csq, ['\r\n+CME ERROR: SIM not inserted\r\n']).answer).not.toHaveProperty('number')
  })

  it('show a prompt by its sign alone, and not by one inside a line', () => {
    expect(answerTo({ text: 'AT+CMGS="1"' }, ['\r\n> ']).isPrompted).toBe(true)
    expect(answerTo({ text: 'AT+CMGS="1"' }, ['\r\n>']).isPrompted).toBe(true)
    expect(answerTo({ text: 'AT+CMGS="1"' }, ['\r\na > ']).isPrompted).toBe(false)
  })

  it('without an end are kept within bounds', () => {
    const reader = new ModemReader()
    for (let i = 0; i < 100; i++) reader.take(Buffer.alloc(1000, 'x'))
    expect(reader.take(Buffer.from('\r\n'))[0].length).toBeLessThan(5000)
  })
})

describe('registration and signal', () => {
  it.each([
    ['0,1', 'home'],
    ['2,5,"00C3","01A2",7', 'roaming'],
    ['0, 3', 'denied'],
    ['1', 'home'],
    ['2,"00C3","01A2"', 'searching'],
    ['0,6', 'limited'],
    ['', undefined],
    ['"x"', undefined],
  ])('%s is read as %s', (text, wanted) => expect(readRegistration(text)).toBe(wanted))

  // dBm = -113 + 2 rssi; 99 is unknown (3GPP TS 27.007, clause 8.5).
  it.each([
    [0, -113],
    [15, -83],
    [31, -51],
    [99, undefined],
  ])('signal %d is %s dBm', (rssi, dbm) => expect(signalDbm(rssi)).toBe(dbm))

  it('registered without data is told in words, and only where the link is down', () => {
    const view = { sim: 'ready', registration: registrationOf(5), signalDbm: -105 }
    expect(modemWords(view, 'down')).toBe(
      'registered with another network (roaming), but no data (credit, APN, or the network), signal -105 dBm (very weak)',
    )
    expect(modemWords(view, 'up')).not.toContain('no data')
    expect(modemWords({ ...view, registration: 'searching' }, 'down')).not.toContain('no data')
  })
})

describe('the text that is typed at a modem', () => {
  it('holds no byte that would end, cancel or divide it, whatever the text is', () => {
    const every = Array.from({ length: 0x2100 }, (_, i) => String.fromCharCode(i))
    for (let i = 0; i < every.length; i += 60) {
      const { alphabet, parts } = typedText(every.slice(i, i + 60).join(''))
      const bytes = parts.flatMap((part) => [...part])
      const ends = alphabet === '7-bit' ? [0x08, 0x0a, 0x0d, 0x1a, 0x1b] : [...Array(0x20).keys()]
      expect(bytes.filter((byte) => ends.includes(byte))).toEqual([])
    }
  })

  it('keeps a station name with signs that a phone does not need (PC-71) in one 7-bit message', () => {
    expect(typed('Käse µ[°]€: PM10 162 µg/m³')).toEqual(['Käse u()EUR: PM10 162 ug/m3'])
    expect(typed(`${'Käse µ[°]€'.repeat(20)}`)).toHaveLength(2)
  })

  it.each([
    [160, 1],
    [161, 2],
    [312, 2],
    [313, 3],
    [2000, 4],
  ])('of %d letters makes %d messages', (length, count) => {
    const parts = typedText('a'.repeat(length)).parts
    expect(parts).toHaveLength(count)
    expect(parts.every((part) => part.length <= 160)).toBe(true)
  })

  it('in UCS-2 has 70 units a message and cuts no pair', () => {
    expect(typedText('ж'.repeat(70)).parts).toHaveLength(1)
    const { alphabet, parts } = typedText('😀'.repeat(40))
    expect([alphabet, parts.length]).toEqual(['ucs-2', 2])
    const texts = parts.map((part) =>
      Buffer.from(Buffer.from(part).toString(), 'hex').swap16().toString('utf16le'),
    )
    expect(texts.join('').replace(/\d\/\d /g, '')).toBe('😀'.repeat(40))
    expect(texts.every((text) => text.length <= 70)).toBe(true)
  })
})

describe('a message that came in', () => {
  it.each([
    ['K7QM', 'K7QM'],
    ['ABCD', 'ABCD'],
    ['BEEF', 'BEEF'],
    ['00E4006200630064', 'äbcd'],
    ['a\x1b<b\x1b>', 'a[b]'],
    ['', ''],
  ])('%j is read as %j: a code of hex digits is no other alphabet', (body, text) => {
    expect(readMessage(['+CMGR: "REC UNREAD","+15550100",,"26/03/01,13:00:07+04"', body])).toEqual({
      from: '+15550100',
      text,
    })
  })

  it('is none where it was written here or has no head', () => {
    expect(readMessage(['+CMGR: "STO UNSENT","+15550100",', 'x'])).toBeUndefined()
    expect(readMessage([])).toBeUndefined()
  })
})
