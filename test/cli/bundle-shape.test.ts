import { describe, expect, it } from 'vitest'
import { picked } from '../../agent/cli/bundle-shape.js'
import { mostEntries, RecentLog } from '../../agent/hardware/log-recent.js'

describe('what a bundle takes of some facts', () => {
  it('is what its shape names, and nothing else', () => {
    const facts = {
      state: 'well',
      secret: 'x',
      age_s: 3,
      list: [{ way: 'sms', to: 'x' }, 'x', { way: 7 }],
      on: true,
    }
    expect(
      picked(facts, { state: 'word', age_s: 'number', list: [{ way: 'word' }], on: 'yes-no', more: 'word' }),
    ).toEqual({ state: 'well', age_s: 3, list: [{ way: 'sms' }, {}], on: true })
  })

  it('holds of "numbers" no text, however deep, and no name that is not one of ours', () => {
    const facts = { a: { b: [1, 2], note: 'x', c: { '+15550100123': 5, d: null } }, text: 'x', '<b>': 1 }
    expect(picked(facts, 'numbers')).toEqual({ a: { b: [1, 2], c: { d: null } } })
    expect(picked({ rule: 'dust', '*': 'x', n: 1 }, { rule: 'word', '*': 'numbers' })).toEqual({
      rule: 'dust',
      n: 1,
    })
  })

  it('is bounded in texts, lists and depth, and takes nothing from a prototype', () => {
    expect(picked('x'.repeat(101), 'word')).toBeUndefined()
    expect(picked('a\u001b[2J', 'word')).toBeUndefined()
    expect(
      picked(
        Array.from({ length: 300 }, () => 1),
        ['number'],
      ),
    ).toHaveLength(200)
    const deep = JSON.parse('{"a":'.repeat(50) + '1' + '}'.repeat(50)) as unknown
    expect(picked(deep, 'numbers')).toBeUndefined()
    expect(picked({ constructor: 1 }, { a: 'number' })).toEqual({})
    for (const odd of [undefined, 7, 'x', [], null])
      expect([undefined, null]).toContain(picked(odd, { a: 'number' }))
  })
})

describe('the newest log entries', () => {
  it('say what each is about, without details', () => {
    const log = new RecentLog()
    log.add('t', 'info', 'stopped: by anna@example.org', { note: 'x' })
    log.add('t', 'warn', 'the sensor port does not exist: /dev/x. Plug.', {
      code: 'port-missing',
      detail: '/dev/x',
    })
    log.add('t', 'info', 'over: the sensor port does not exist', { code: 'port-missing', detail: '/dev/x' })
    log.add('t', 'warn', 'internal error', {
      stack:
        'Error: of anna@example.org\n    at f (file:///home/anna/dist/agent/station/loop.js:12:5)\n at g (node:internal/timers:1:2)',
    })
    expect(log.entries).toEqual([
      { at: 't', level: 'info', words: 'stopped' },
      { at: 't', level: 'warn', code: 'port-missing', words: 'the sensor port does not exist' },
      { at: 't', level: 'info', code: 'port-missing', words: 'over: the sensor port does not exist' },
      { at: 't', level: 'warn', words: 'internal error', where: ['loop.js:12:5'] },
    ])
  })

  it('are a hundred at most, the newest', () => {
    const log = new RecentLog()
    for (let n = 0; n < mostEntries + 5; n++) log.add('t', 'info', `entry ${n}`)
    expect(log.entries).toHaveLength(mostEntries)
    expect(log.entries[0].words).toBe('entry 5')
  })
})
