import { describe, expect, it } from 'vitest'
import {
  readRecording,
  recognise,
  recordingChunk,
  recordingHead,
} from '../../agent/instruments/instruments.js'
import { goodFrames, hex, joined, layoutNamed, layouts, seededBytes } from './layouts.js'

const all = [...layouts.values()]

describe('recognising a layout', () => {
  it.each([...layouts.keys()])('names %s for its frames, caught in the middle of one', (name) => {
    const caught = joined(...goodFrames(layoutNamed(name))).subarray(3)
    const [best, ...others] = recognise(caught, all)
    expect(best.layout.name).toBe(name)
    expect(best.sure).toBe('certain')
    expect(best.shareExplained).toBeGreaterThan(0.6)
    expect(others).toEqual([])
  })

  it('is less sure of one frame among noise, and names nothing for noise alone', () => {
    const [frame] = goodFrames(layoutNamed('frames-424d-32'))
    const noise = seededBytes(4, 60)
    expect(recognise(noise, all)).toEqual([])
    expect(recognise(new Uint8Array(0), all)).toEqual([])
    expect(recognise(joined(noise, frame), all)).toMatchObject([{ framesGood: 1, sure: 'likely' }])
  })

  it('says possible where only answers came: a sensor that is asked in vain', () => {
    const [only] = recognise(hex('7E 00 03 00 00 FC 7E'), all)
    expect(only).toMatchObject({ framesGood: 0, answers: 1, shareExplained: 1, sure: 'possible' })
    expect(only.layout.name).toBe('stuffed-7e-floats')
  })

  it('takes no text for a layout of lines because of blank lines in it', () => {
    expect(recognise(new TextEncoder().encode('\r\n\r\nlogin: \r\n\r\n'), all)).toEqual([])
  })

  it('looks at no more than its limit', () => {
    const [frame] = goodFrames(layoutNamed('frames-424d-32'))
    expect(recognise(joined(new Uint8Array(65_536), frame), all)).toEqual([])
  })
})

describe('the text of a recording', () => {
  const header = {
    layout: 'frames-424d-32',
    line: '9600 8N1',
    start: '2026-03-01T00:00:00Z',
    special: 'none\nat all',
  }

  it('is read back as it was written', () => {
    const chunks = [
      { seconds: 0, bytes: seededBytes(1, 100) },
      { seconds: 1.25, bytes: seededBytes(2, 7) },
    ]
    const text = recordingHead(header) + chunks.map((c) => recordingChunk(c.seconds, c.bytes)).join('')
    expect(readRecording(text)).toEqual({
      ok: true,
      recording: { header: { ...header, special: 'none at all' }, chunks },
    })
  })

  it('may have remarks and no times', () => {
    const read = readRecording(`${recordingHead(header)}# a remark\n\n42 4D\r\n00 1C\n`)
    expect(read).toMatchObject({
      ok: true,
      recording: { chunks: [{ seconds: 0, bytes: hex('42 4D 00 1C') }] },
    })
  })

  it('is refused with the line where it cannot be read', () => {
    expect(readRecording(`${recordingHead(header)}42 4`)).toMatchObject({ ok: false, line: 5 })
    expect(readRecording('42 4D\n')).toMatchObject({ ok: false, words: "'# layout: ...' is missing" })
  })
})
