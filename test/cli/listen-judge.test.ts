import { describe, expect, it } from 'vitest'
import { judge } from '../../agent/cli/listen-judge.js'
import { asksOf, planOf } from '../../agent/cli/listen-plan.js'
import { goodFrames, joined, layoutNamed, layouts, seededBytes } from '../instruments/layouts.js'

const all = [...layouts.values()]
const ascii = (text: string): Uint8Array => new TextEncoder().encode(text)
const serial = { kind: 'serial', quiet: false, wholeTime: false } as const

/** Fixed here, so that a new layout changes no test of the plan. */
const some = ['frames-424d-24', 'frames-424d-32', 'frames-aac0-10', 'stuffed-7e-floats'].map(layoutNamed)

describe('the plan of listening', () => {
  it('tries the speed that most layouts have first, each once, and others only afterwards', () => {
    const { trials, further } = planOf(some, serial)
    expect(trials.map(({ baud }) => baud)).toEqual([9600, 115_200])
    const speeds = [...trials, ...further].map(({ baud }) => baud)
    expect(new Set(speeds).size).toBe(speeds.length)
    expect(further.every(({ asks }) => asks.length === 0)).toBe(true)
  })

  it('tries one speed where one is given, or where the line has none', () => {
    expect(planOf(some, { ...serial, baud: 38_400 }).trials.map(({ baud }) => baud)).toEqual([38_400])
    expect(planOf(some, { ...serial, kind: 'tcp' }).trials).toMatchObject([{ seconds: 4 }])
  })

  it('listens long enough for the slowest layout of a speed', () => {
    const slow = { ...layoutNamed('frames-424d-32'), periodSeconds: 10 }
    expect(planOf([slow], serial).trials[0].seconds).toBe(15)
    expect(planOf([slow], { ...serial, seconds: 2 }).trials[0].seconds).toBe(2)
  })

  it('sends equal commands once, wake first, and asks for readings only whom it must', () => {
    const names = asksOf(some).map(({ name }) => name)
    expect(names).toEqual(['wake', 'wake', 'wake', 'active', 'active', 'read'])
    expect(planOf(some, { ...serial, quiet: true }).trials.flatMap(({ asks }) => asks)).toEqual([])
  })
})

describe('the judgement of what was heard', () => {
  it('tells silence, noise and a held line apart', () => {
    console.info('seed 9')
    expect(judge(new Uint8Array(0), [], all).sound).toBe('nothing')
    expect(judge(seededBytes(9, 65_536), [], all)).toMatchObject({ sound: 'noise' })
    expect(judge(new Uint8Array(500), [], all)).toMatchObject({ sound: 'noise', held: 0x00 })
    expect(judge(new Uint8Array(500).fill(0xff), [], all)).toMatchObject({ sound: 'noise', held: 0xff })
  })

  it('takes no short piece of noise for frames, whole or damaged', () => {
    console.info('seeds 0 to 499, times 7919')
    const sounds = Array.from({ length: 500 }, (_, i) => judge(seededBytes(i * 7919, 160), [], all).sound)
    expect(new Set(sounds)).toEqual(new Set(['noise']))
  })

  it.each(['[    0.412345] serial0: at MMIO\r\n', '\r\nstation login: ', 'Password: ', 'user@station:~$ '])(
    'knows the text of a console: %j',
    (text) => {
      expect(judge(ascii(text), [], all).sound).toBe('console')
    },
  )

  it('shows other text without what would steer a terminal', () => {
    const { sound, sample } = judge(ascii('\u001b[31mT 12.5 H 40.1\r\nT 12.6 H 40.0\r\n'), [], all)
    expect(sound).toBe('text')
    expect(sample).toEqual(['[31mT 12.5 H 40.1', 'T 12.6 H 40.0'])
  })

  it.each(all.filter(({ framing }) => framing.kind !== 'lines').map(({ name }) => name))(
    'knows frames of %s whose checksums are wrong',
    (name) => {
      const broken = goodFrames(layoutNamed(name)).map((frame) => frame.with(6, frame[6] ^ 0x04))
      expect(judge(joined(...broken), [], all)).toMatchObject({
        sound: 'damaged',
        damaged: { layout: { name } },
      })
    },
  )

  it('takes commands that come back for an echo, not for answers', () => {
    const sent = asksOf(all).map(({ bytes }) => bytes)
    expect(judge(joined(...sent, ...sent), sent, all)).toMatchObject({
      sound: 'echo',
      echoes: 2 * sent.length,
    })
    const frames = goodFrames(layoutNamed('frames-424d-32'))
    expect(judge(joined(...sent, ...frames), sent, all)).toMatchObject({
      sound: 'frames',
      candidates: [{ sure: 'certain', shareExplained: 1 }],
    })
  })

  it('says answers where commands are acknowledged and no reading comes', () => {
    const acknowledgement = Uint8Array.from([0x42, 0x4d, 0, 4, 0xe1, 1, 1, 0x75])
    expect(judge(acknowledgement, [], all).sound).toBe('answers')
  })

  it('hears a console that writes between frames', () => {
    const frames = goodFrames(layoutNamed('frames-424d-32'))
    const heard = joined(ascii('station login: '), ...frames)
    expect(judge(heard, [], all)).toMatchObject({ sound: 'frames', consoleToo: true })
  })
})
