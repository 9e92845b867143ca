/** `motepost alerts --archive`: what somebody says to a collector of what it told. */
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { alerts, type AlertsOptions } from '../../agent/cli/alerts.js'
import { answerTold } from '../../agent/cli/collect-alerts.js'
import type { GroupAlerts } from '../../agent/collector/collector.js'
import { listenControl } from '../../agent/hardware/control-socket.js'
import { monoSeconds } from '../../agent/terms/terms.js'
import { ran, value } from './desk-rig.js'
import { archiveFolder, endAll } from './stations-rig.js'

const stops: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const stop of stops.splice(0)) await stop()
  await endAll()
})

const asked: string[] = []
const told = {
  acknowledge: (what: string) => ({ done: what === 'K7Q4', words: `${what}: acknowledged` }),
  mute: (what: string, seconds: number) => (asked.push(`${what} ${seconds}`), { done: true, words: 'muted' }),
} as unknown as GroupAlerts

async function collectorOf(who: GroupAlerts | undefined): Promise<string> {
  const archive = archiveFolder()
  const socket = await listenControl({ path: join(archive, '.control.sock'), mode: 0o600 }, (request) =>
    Promise.resolve(answerTold(who, request, monoSeconds(1)) ?? { ok: false, words: 'not understood' }),
  )
  stops.push(value(socket).close)
  return archive
}
const say = (options: Partial<AlertsOptions>) => ran(() => alerts({ settings: '/none', ...options }))

describe('alerts --archive', () => {
  it('acknowledges and mutes at the collector, and says what came of it', async () => {
    const archive = await collectorOf(told)
    expect(await say({ archive, acknowledge: 'K7Q4' })).toMatchObject({
      code: 0,
      out: 'K7Q4: acknowledged\n',
    })
    expect(await say({ archive, acknowledge: 'X' })).toMatchObject({ code: 1, out: 'X: acknowledged\n' })
    expect(await say({ archive, mute: 'silent gate', for: 12, json: true })).toMatchObject({
      ...{ code: 0, out: '{"ok":true,"words":"muted"}\n' },
    })
    expect(asked).toEqual(['silent gate 43200'])
  })

  it('says that nobody is told there, that none runs, or what it can be asked', async () => {
    const archive = await collectorOf(undefined)
    expect(await say({ archive, acknowledge: 'K7Q4' })).toMatchObject({
      ...{ code: 1, out: expect.stringContaining('no block delivery') },
    })
    const none = await say({ archive: archiveFolder(), mute: 'all' })
    expect([none.code, none.out]).toEqual([1, expect.stringContaining('.control.sock')])
    expect(await say({ archive })).toMatchObject({
      code: 2,
      err: expect.stringContaining('--acknowledge or --mute'),
    })
    expect(await say({ archive, sendTest: 'desk' })).toMatchObject({ code: 2 })
  })

  it('takes no request of another form', () => {
    for (const request of [
      { do: 'mute', what: 7, hours: 1 },
      { do: 'mute', what: 'all' },
      { do: 'acknowledge' },
    ])
      expect(answerTold(told, request, monoSeconds(1))).toMatchObject({ ok: false })
    for (const request of [{ do: 'status' }, null, 7, 'mute'])
      expect(answerTold(told, request, monoSeconds(1))).toBeUndefined()
  })
})
