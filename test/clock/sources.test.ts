/** Sentences of satellite receivers and answers of modems, and the lines that they come by. */
import { describe, expect, it } from 'vitest'
import {
  modemClockAsk,
  readModemClock,
  readRmc,
  TimeLine,
  type AnchorPoint,
} from '../../agent/clock/clock.js'
import {
  bad,
  done,
  good,
  monoSeconds,
  utcText,
  type ByteLine,
  type LineFactory,
} from '../../agent/terms/terms.js'

const timeOf = (reading: ReturnType<typeof readRmc>): string | undefined =>
  reading && (reading.ok ? utcText(reading.utc) : reading.why)

/** With its checksum, worked out apart from the code under test. */
export const sentence = (body: string): string => {
  let sum = 0
  for (const byte of Buffer.from(body, 'latin1')) sum ^= byte
  return `$${body}*${sum.toString(16).toUpperCase().padStart(2, '0')}`
}

describe('a sentence of a satellite receiver', () => {
  it.each([
    // Two sentences that descriptions of NMEA 0183 commonly print as examples, checksums included (from memory).
    ['$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A', '1994-03-23T12:35:19Z'],
    ['$GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E*62', '1998-09-13T08:18:36Z'],
    [sentence('GNRMC,235960.00,A,,,,,,,311226,,,A'), '2027-01-01T00:00:00Z'],
    [sentence('GNRMC,000000.00,A,,,,,,,290228,,,D'), '2028-02-29T00:00:00Z'],
    [sentence('GPRMC,120000,A,,,,,,,010179,,,A'), '2079-01-01T12:00:00Z'],
  ])('%s tells its time', (text, time) => {
    expect(timeOf(readRmc(text))).toBe(time)
  })

  it.each([
    ['a wrong checksum', '$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6B'],
    ['status V', sentence('GPRMC,123519,V,,,,,,,250326,,,N')],
    ['an estimated mode', sentence('GPRMC,123519,A,,,,,,,250326,,,E')],
    ['a simulator', sentence('GPRMC,123519,A,,,,,,,250326,,,S')],
    ['no date', sentence('GPRMC,123519,A,,,,,,,,,,A')],
    ['30 February', sentence('GPRMC,123519,A,,,,,,,300226,,,A')],
    ['hour 24', sentence('GPRMC,240000,A,,,,,,,250326,,,A')],
    ['29 February of a year without', sentence('GPRMC,120000,A,,,,,,,290227,,,A')],
  ])('with %s is refused in words', (_, text) => {
    expect(readRmc(text)).toMatchObject({ ok: false, why: expect.stringMatching(/./) as string })
  })

  it('of another kind, or noise, says nothing at all', () => {
    expect(readRmc(sentence('GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,'))).toBeUndefined()
    expect(readRmc('\u0000ÿRMC')).toBeUndefined()
  })
})

describe('the answer of a modem', () => {
  it.each([
    // The example of 3GPP TS 27.007, clause 8.15 (from memory): 22:10:00 at two hours ahead.
    ['+CCLK: "94/05/06,22:10:00+08"', '1994-05-06T20:10:00Z'],
    ['+CCLK: "26/03/29,01:15:00+23"', '2026-03-28T19:30:00Z'],
    ['+CCLK: "26/12/31,23:59:59-14"', '2027-01-01T03:29:59Z'],
    ['+CCLK: "28/02/29,12:00:00+00"', '2028-02-29T12:00:00Z'],
  ])('%s is local time, its zone in quarter-hours', (text, time) => {
    expect(timeOf(readModemClock(text))).toBe(time)
  })

  it.each(['+CCLK: "26/03/29,01:15:00"', '+CCLK: "26/13/29,01:15:00+00"', '+CCLK: "26/03/29,01:15:00+97"'])(
    '%s is refused',
    (text) => expect(readModemClock(text)).toMatchObject({ ok: false }),
  )

  it.each(['OK', 'ERROR', 'AT+CCLK?', '', '+CSQ: 17,99'])('%s says nothing of time', (text) =>
    expect(readModemClock(text)).toBeUndefined(),
  )
})

/** A line that gives what it is told, and keeps what was written to it. */
class ToldLine implements LineFactory {
  readonly name = '/dev/told'
  readonly written: string[] = []
  waiting: string[] = []
  missing = false
  lost = false
  open = () => {
    if (this.missing) return Promise.resolve(bad('port-missing', this.name))
    this.opens++
    return Promise.resolve(good(this.line))
  }
  opens = 0
  closed = 0
  private readonly line: ByteLine = {
    readAvailable: () => {
      if (this.lost) return 'gone'
      const text = this.waiting.shift()
      return text === undefined ? 'nothing' : Uint8Array.from(Buffer.from(text, 'latin1'))
    },
    write: (bytes) => {
      this.written.push(Buffer.from(bytes).toString('latin1'))
      return Promise.resolve(done)
    },
    close: () => Promise.resolve(void this.closed++),
  }
}

type News = { readonly claim: AnchorPoint } | { readonly silent: string }

function heardFrom(line: ToldLine, options: Partial<ConstructorParameters<typeof TimeLine>[0]> = {}) {
  const heard: News[] = []
  const works: Promise<unknown>[] = []
  const timeLine = new TimeLine(
    {
      source: 'satellite',
      line,
      read: readRmc,
      lateSeconds: 0.5,
      errorSeconds: 0.5,
      everySeconds: 600,
      ...options,
    },
    monoSeconds(0),
    (work) => works.push(work),
    (_, news) => heard.push(news),
  )
  const live = async (from: number, to: number, each?: (second: number) => void): Promise<void> => {
    for (let second = from; second <= to; second++) {
      each?.(second)
      timeLine.tick(monoSeconds(second))
      await Promise.all(works.splice(0))
    }
  }
  return { heard, live, timeLine }
}

const rmcAt = (second: number): string =>
  sentence(`GPRMC,1200${String(second % 60).padStart(2, '0')},A,,,,,,,010326,,,A`) + '\r\n'
const noon = Date.UTC(2026, 2, 1, 12)

describe('a line that tells the time', () => {
  it('is believed after two sentences that fit each other, with half the wait as error, and closed until it is due', async () => {
    const line = new ToldLine()
    const { heard, live } = heardFrom(line)
    await live(0, 20, (second) => line.waiting.push('$GPGGA,x*00\r\n' + rmcAt(second)))
    expect(heard).toHaveLength(1)
    const { claim } = heard[0] as { claim: AnchorPoint }
    // Sent at the second itself here: within the error of the time that the claim gives to its moment.
    expect(Math.abs(claim.utc - (noon + claim.mono * 1000)) / 1000).toBeLessThanOrEqual(claim.errorSeconds)
    expect(claim.errorSeconds).toBe(1)
    expect([line.opens, line.closed]).toEqual([1, 1])
    line.waiting = []
    await live(21, 605, (second) => second > 595 && line.waiting.push(rmcAt(second)))
    expect(line.opens).toBe(2)
  })

  it('that jumps between two sentences is not believed', async () => {
    const line = new ToldLine()
    const { heard, live } = heardFrom(line)
    await live(0, 62, (second) => line.waiting.push(rmcAt(second % 2 === 0 ? 10 : 40)))
    expect(heard).toEqual([{ silent: 'nothing that tells the time came' }])
  })

  it('asks a modem until it answers, and takes nothing from its echo', async () => {
    const line = new ToldLine()
    const { heard, live } = heardFrom(line, { source: 'modem', read: readModemClock, ask: modemClockAsk })
    await live(0, 12, (second) => {
      if (second > 4)
        line.waiting.push(
          `AT+CCLK?\r\r\n+CCLK: "26/03/01,13:00:${String(second).padStart(2, '0')}+04"\r\n\r\nOK\r\n`,
        )
    })
    expect(line.written.every((text) => text === 'AT+CCLK?\r')).toBe(true)
    expect(heard).toMatchObject([{ claim: { source: 'modem' } }])
  })

  it.each([
    ['is not there', (line: ToldLine) => (line.missing = true), 'cannot be opened (port-missing)'],
    ['is lost', (line: ToldLine) => (line.lost = true), 'the line was lost'],
    [
      'gives noise',
      (line: ToldLine) => line.waiting.push('\u0001'.repeat(4000)),
      'nothing that tells the time came',
    ],
    [
      'does not trust itself',
      (line: ToldLine) => line.waiting.push(sentence('GPRMC,120000,V,,,,,,,010326,,,N') + '\r\n'),
      'the receiver itself does not trust it',
    ],
  ])('that %s says so, and is tried again two minutes later', async (_, spoil, words) => {
    const line = new ToldLine()
    spoil(line)
    const { heard, live } = heardFrom(line)
    await live(0, 70)
    expect(heard).toHaveLength(1)
    expect((heard[0] as { silent: string }).silent).toContain(words)
    line.missing = line.lost = false
    line.waiting = []
    await live(71, 250, (second) => line.waiting.push(rmcAt(second)))
    expect(heard.at(-1)).toHaveProperty('claim')
  })

  it('lets its port go when the station stops', async () => {
    const line = new ToldLine()
    const { live, timeLine } = heardFrom(line)
    await live(0, 3)
    await timeLine.stop()
    await live(4, 700)
    expect([line.opens, line.closed]).toEqual([1, 1])
  })
})
