/** Stations that ought to be there, and those that were taken away, as the collector judges them. */
import { describe, expect, it } from 'vitest'
import { usualRules, type Roll } from '../../agent/collector/collector.js'
import { statusOf } from '../../agent/collector/status.js'
import { StationsWatch } from '../../agent/collector/watch.js'
import { monoSeconds, utcMillis, type Message } from '../../agent/terms/terms.js'

const start = Date.UTC(2026, 2, 1)
const group = 'oakfield'

class Rig {
  roll: Roll = { expected: [], retired: new Set() }
  now = monoSeconds(1000)
  watch = this.make()

  private make(): StationsWatch {
    const utc = () => utcMillis(start + this.now * 1000)
    const watch = new StationsWatch(
      { group, mostStations: 10, rules: usualRules },
      utc,
      undefined,
      () => this.roll,
    )
    watch.step(this.now, true)
    return watch
  }

  wait(minutes: number): void {
    this.now = monoSeconds(this.now + minutes * 60)
    this.watch.step(this.now, true)
  }

  says(station: string, state = 'running'): void {
    const payload = Buffer.from(JSON.stringify({ v: 1, boot: '0a1b2c3d', state }))
    const message: Message = { topic: `motepost/1/${group}/${station}/alive`, payload, retained: false }
    expect(this.watch.receive(message, this.now)).toBeUndefined()
  }

  states(): Record<string, string> {
    const judged = this.watch.judged(this.now)
    return Object.fromEntries(judged.map(({ seen, judgement }) => [seen.station, judgement.state]))
  }

  restart(): void {
    const { watch, now } = this
    const counts = { taken: 0, given: 0, held: 0, refused: {} }
    const status = statusOf({
      ...{ group, now: watch.at(now), link: 'connected', packs: counts, reports: counts, lines: {} },
      ...{ refusals: [], judged: watch.judged(now), faults: [] },
    })
    this.watch = this.make()
    this.watch.restore(JSON.parse(JSON.stringify(status)))
  }
}

describe('a station that ought to be there', () => {
  it('is late from the first moment, and silent after three hours of listening, over restarts', () => {
    const rig = new Rig()
    rig.roll = { expected: ['gate'], retired: new Set() }
    expect(rig.states()).toEqual({ gate: 'late' })
    rig.wait(100)
    rig.restart()
    rig.wait(79)
    expect(rig.states()).toEqual({ gate: 'late' })
    rig.wait(2)
    expect(rig.states()).toEqual({ gate: 'silent' })
    const [{ judgement }] = rig.watch.judged(rig.now)
    expect(judgement.reasons).toMatchObject([
      { code: 'silent', words: 'nothing heard yet, for 181 min', tell: 'high' },
    ])
    rig.says('gate')
    expect(rig.states()).toEqual({ gate: 'well' })
  })
})

describe('a station that was taken away', () => {
  it('is not judged once it is quiet, nor after a restart, and is again when it speaks', () => {
    const rig = new Rig()
    rig.says('gate')
    rig.says('mill')
    rig.roll = { expected: [], retired: new Set(['gate']) }
    expect(rig.states()).toEqual({ gate: 'well', mill: 'well' })
    rig.wait(76)
    expect(rig.states()).toEqual({ mill: 'late' })
    rig.restart()
    expect(rig.states()).toEqual({ mill: 'late' })
    rig.says('gate')
    expect(rig.states()).toMatchObject({ gate: 'well' })
    rig.says('gate', 'stopped')
    expect(rig.states()).toEqual({ mill: 'late' })
  })
})
