import { describe, expect, it } from 'vitest'
import { FaultBoard, type FaultChange } from '../../agent/health/health.js'
import { faultCatalogue, faultCodes, faultText, monoSeconds } from '../../agent/terms/terms.js'

describe('the fault board', () => {
  it('tells a fault once however often it is raised, and once when it is over (PC-15: an adapter that resets all day)', () => {
    const changes: FaultChange[] = []
    const board = new FaultBoard((change) => changes.push(change))
    for (let i = 0; i < 360; i++)
      board.raise('sensor 1', { code: 'port-gone', detail: 'x' }, monoSeconds(i * 20))
    expect(changes).toHaveLength(1)
    expect(board.list()[0]).toMatchObject({ times: 360, since: 0 })
    board.clear('sensor 1', 'port-gone')
    board.clear('sensor 1', 'port-gone')
    expect(changes.map((c) => c.stands)).toEqual([true, false])
    expect(board.list()).toEqual([])
    expect(board.times('port-gone')).toBe(360)
  })

  it('keeps the same fault in two places apart', () => {
    const board = new FaultBoard(() => undefined)
    board.raise('sensor 1', { code: 'sensor-silent', detail: 'a' }, monoSeconds(0))
    board.raise('sensor 2', { code: 'sensor-silent', detail: 'b' }, monoSeconds(0))
    board.clear('sensor 1', 'sensor-silent')
    expect(board.list().map((f) => f.detail)).toEqual(['b'])
  })

  it('is bounded', () => {
    const board = new FaultBoard(() => undefined)
    for (let i = 0; i < 1000; i++)
      board.raise(`place ${i}`, { code: 'gauge-missing', detail: '' }, monoSeconds(0))
    expect(board.list().length).toBeLessThanOrEqual(64)
  })

  it('names the worst that stands', () => {
    const board = new FaultBoard(() => undefined)
    expect(board.worst()).toBeUndefined()
    board.raise('a', { code: 'link-lost', detail: '' }, monoSeconds(0))
    expect(board.worst()).toBe('note')
    board.raise('b', { code: 'port-gone', detail: '' }, monoSeconds(0))
    expect(board.worst()).toBe('trouble')
  })
})

describe('the fault catalogue', () => {
  it('has words and a first thing to do for every code', () => {
    for (const code of faultCodes) {
      expect(faultCatalogue[code].words.length, code).toBeGreaterThan(10)
      expect(faultCatalogue[code].firstThing.length, code).toBeGreaterThan(10)
      expect(faultText({ code, detail: 'here' })).toMatch(/: here\. [A-Z].*\.$/)
    }
  })
})
