import { describe, expect, it } from 'vitest'
import {
  acknowledges,
  command,
  commandNames,
  expectsAcknowledgement,
  partialSilenceSeconds,
  readingBytes,
  readLayout,
  scalingsOf,
  createDecoder,
} from '../../agent/instruments/instruments.js'
import { channelKinds } from '../../agent/terms/terms.js'
import { collecting, frame32, hex, layoutNamed, layouts, layoutOf, parsedLayout } from './layouts.js'

type Plain = Record<string, any> // eslint-disable-line @typescript-eslint/no-explicit-any

/** The faults of a layout file that was good before `spoil`. */
function faultsAfter(name: string, spoil: (layout: Plain) => void): string[] {
  const layout = parsedLayout(name) as Plain
  spoil(layout)
  const read = readLayout(layout)
  return read.ok ? [] : read.faults.map(({ path, words }) => `${path}: ${words}`)
}

describe('the layout files', () => {
  it('are the six that the settings may name, each called by the name of its file', () => {
    expect([...layouts.values()].map(({ name }) => name)).toEqual([...layouts.keys()])
    expect([...layouts.keys()].sort()).toEqual([
      'frames-424d-24',
      'frames-424d-32',
      'frames-424d-40',
      'frames-aac0-10',
      'stuffed-7e-floats',
      'text-lines-example',
    ])
  })

  it.each([...layouts])(
    '%s takes the atmospheric scaling where it has two, and gives units of the channels',
    (_, layout) => {
      const { decoder } = collecting(layout, { slot: '1' })
      for (const channel of decoder.channels) {
        expect(channel.key).toBe(`${channel.name}.1`)
        expect(channelKinds[channel.name]).toBeDefined()
        if (channel.scaling) expect(channel.scaling).toBe('atmospheric')
      }
      expect(new Set(decoder.channels.map(({ key }) => key)).size).toBe(decoder.channels.length)
    },
  )

  it.each([...layouts])(
    '%s promises acknowledgements that its own framing takes for answers',
    (_, layout) => {
      for (const name of commandNames) {
        const expected = layout.commands[name]?.acknowledgement
        expect(expectsAcknowledgement(layout, name)).toBe(expected !== undefined)
        if (!expected) continue
        const answer = withRightSum(
          layout.name,
          Uint8Array.from(expected, (byte) => Math.max(byte, 0)),
        )
        const { decoder, answers } = collecting(layout)
        decoder.push(answer)
        expect(answers).toEqual(['acknowledgement'])
        expect(acknowledges(layout, name, answer)).toBe(true)
      }
    },
  )

  it('give command bytes as a copy, and none where there is no such command', () => {
    command(layoutNamed('frames-424d-32'), 'sleep')!.fill(0)
    expect(command(layoutNamed('frames-424d-32'), 'sleep')).toEqual(hex('42 4D E4 00 00 01 73'))
    expect(command(layoutNamed('frames-424d-32'), 'clean')).toBeUndefined()
    expect(command(layoutNamed('frames-424d-24'), 'sleep')).toBeUndefined()
  })

  it('give up a partial frame after three byte times of ten bits', () => {
    expect(partialSilenceSeconds(layoutNamed('frames-424d-32'))).toBeCloseTo(0.003125, 9)
  })

  it('say how many bytes a reading has, none for text', () => {
    const sizes = [...layouts.values()].map((layout) => [layout.name, readingBytes(layout)])
    expect(Object.fromEntries(sizes)).toEqual({
      'frames-424d-24': 24,
      'frames-424d-32': 32,
      'frames-424d-40': 40,
      'frames-aac0-10': 10,
      'stuffed-7e-floats': 47,
      'text-lines-example': 0,
    })
  })
})

/** The ten-byte replies carry the device's name, so their sum is not written in the layout. */
function withRightSum(layout: string, answer: Uint8Array): Uint8Array {
  if (layout === 'frames-aac0-10') answer[8] = answer.slice(2, 8).reduce((sum, byte) => sum + byte, 0)
  return answer
}

describe('scalings and sizes', () => {
  const a = layoutNamed('frames-424d-32')

  it('gives the other scaling when it is chosen, and says so in the channel', () => {
    expect(scalingsOf(a)).toEqual(['standard-particle', 'atmospheric'])
    const { decoder, rows } = collecting(a, { scaling: 'standard-particle' })
    decoder.push(frame32([110, 180, 210, 73, 119, 140, 24150, 7120, 1310, 122, 21, 6, 0x9100]))
    expect(rows[0].slice(0, 3)).toEqual([110, 180, 210])
    expect(decoder.channels[1]).toEqual({
      key: 'pm2_5',
      name: 'pm2_5',
      scaling: 'standard-particle',
      basis: 'measured',
    })
  })

  it('refuses a scaling that a layout does not have', () => {
    expect(scalingsOf(layoutNamed('frames-aac0-10'))).toEqual([])
    const make = (): unknown =>
      createDecoder(layoutNamed('frames-aac0-10'), { scaling: 'atmospheric', sink: () => undefined })
    expect(make).toThrow('offers no scaling')
  })

  it('orders masses upwards and counts downwards, whichever way the instrument counts', () => {
    const order = (name: string): string[] => {
      const { channels, sizeOrder } = collecting(layoutNamed(name)).decoder
      return sizeOrder.map(([lower, higher]) => `${channels[lower].name}<=${channels[higher].name}`)
    }
    const counts = ['n0_5<=n0_3', 'n1<=n0_5', 'n2_5<=n1']
    expect(order('frames-424d-32')).toEqual(['pm1<=pm2_5', 'pm2_5<=pm10', ...counts, 'n5<=n2_5', 'n10<=n5'])
    expect(order('stuffed-7e-floats')).toEqual([
      'pm1<=pm2_5',
      'pm2_5<=pm4',
      'pm4<=pm10',
      ...counts,
      'n4<=n2_5',
    ])
  })
})

describe('a layout file with faults', () => {
  it('is told all of them at once, each with the path of its key', () => {
    const faults = faultsAfter('frames-424d-32', (layout) => {
      delete layout.baud
      layout.fields[2].channel = 'pm3'
      layout.fields[4].unit = 'mg'
      layout.error.at = 32
      layout.commands.wake.bytes = '42 4D E4 00 00 01 74'
      layout.perod_s = 1
    })
    expect(faults.map((fault) => fault.split(':')[0]).sort()).toEqual([
      'baud',
      'commands.wake.bytes',
      'error.at',
      'fields[2].channel',
      'fields[4].unit',
      'perod_s',
    ])
    expect(faults).toContain('error.at: must be a whole number from 0 to 31')
    expect(faults).toContain('fields[4].unit: must be one of ug/m3, mg/m3 for pm2_5')
  })

  it.each<[string, string, (layout: Plain) => void, string]>([
    ['no map at all', 'frames-424d-32', (l) => (l.framing = 7), 'framing.kind: must be one of'],
    [
      'an unknown framing',
      'frames-424d-32',
      (l) => (l.framing.kind = 'packets'),
      'framing.kind: must be one of',
    ],
    [
      'bytes that are a number',
      'frames-aac0-10',
      (l) => (l.framing.tail = 10),
      'framing.tail: must be bytes in hex',
    ],
    [
      'too many start bytes',
      'frames-424d-32',
      (l) => (l.framing.start = '42 4D 00'),
      'framing.start: must be 2 bytes',
    ],
    [
      'another first byte of answers',
      'frames-aac0-10',
      (l) => (l.framing.answer = 'AB C5'),
      'framing.answer: must have',
    ],
    ['two scalings and no usual one', 'frames-424d-32', (l) => delete l.scaling, 'scaling: is missing'],
    [
      'a scaling of counts',
      'frames-424d-32',
      (l) => (l.fields[6].scaling = 'atmospheric'),
      'fields[6].scaling: belongs',
    ],
    ['counts and no rule', 'frames-424d-32', (l) => delete l.counts, 'counts: is missing'],
    [
      'a rule and no counts',
      'frames-424d-24',
      (l) => (l.counts = { rule: 'larger-than' }),
      'counts: has no count',
    ],
    [
      'a channel twice',
      'frames-424d-32',
      (l) => (l.fields[1].channel = 'pm1'),
      'fields[1].channel: must come once',
    ],
    [
      'counts out of order',
      'frames-424d-32',
      (l) => l.fields.push(l.fields.splice(6, 1)[0]),
      'must come once and after',
    ],
    ['up-to and no smallest', 'stuffed-7e-floats', (l) => delete l.counts.from, 'counts.from: is missing'],
    [
      'a smallest that is not',
      'stuffed-7e-floats',
      (l) => (l.counts.from = 'n0_5'),
      'counts.from: must be a smaller',
    ],
    ['polled and no read', 'stuffed-7e-floats', (l) => delete l.commands.read, 'commands.read: is missing'],
    [
      'no pattern',
      'text-lines-example',
      (l) => (l.framing.pattern = '(?<pm25>'),
      'is not a regular expression',
    ],
    [
      'a pattern without end',
      'text-lines-example',
      (l) => (l.framing.pattern = '(a+)+'),
      'a line could take for ever',
    ],
    [
      'a group that is not there',
      'text-lines-example',
      (l) => (l.fields[0].group = 'pm1'),
      'must be a named group',
    ],
    [
      'a place in text',
      'text-lines-example',
      (l) => (l.version = { at: 0, type: 'u8' }),
      'version: has no place in text',
    ],
    ['no fields', 'frames-424d-24', (l) => (l.fields = []), 'fields: must be 1 to 32'],
    ['a name with blanks', 'frames-424d-24', (l) => (l.layout = 'My Sensor'), 'layout: must be 3 to 40'],
    ['a text for a number', 'frames-424d-24', (l) => (l.period_s = '1'), 'period_s: must be a number from'],
  ])('is refused for %s', (_, name, spoil, expected) => {
    expect(faultsAfter(name, spoil).join('\n')).toContain(expected)
  })

  it('never throws, whatever it is', () => {
    for (const value of [undefined, null, 1, 'x', [], {}, { framing: [] }, { framing: { kind: 'fixed' } }])
      expect(readLayout(value).ok).toBe(false)
  })
})

describe('units', () => {
  it.each([
    ['temperature', 'K', 300.15, 27],
    ['temperature', 'F', 68, 20],
    ['pressure', 'kPa', 101.3, 1013],
    ['pm10', 'mg/m3', 0.05, 50],
    ['n0_3', '1/cm3', 12, 1200],
    ['n0_3', '1/L', 12_000, 1200],
    ['wind_speed', 'kn', 10, 5.1444],
  ])('%s given in %s is converted', (channel, unit, given, expected) => {
    const layout = layoutOf({
      ...parsedLayout('text-lines-example'),
      framing: { kind: 'lines', pattern: '(?<value>[0-9.]+)' },
      fields: [{ channel, group: 'value', unit, basis: 'measured' }],
      error: undefined,
      ...(channel === 'n0_3' ? { counts: { rule: 'larger-than' } } : {}),
    })
    const { decoder, rows } = collecting(layout)
    decoder.push(new TextEncoder().encode(`\n${given}\n`))
    expect(rows[0][0]).toBeCloseTo(expected, 3)
  })
})
