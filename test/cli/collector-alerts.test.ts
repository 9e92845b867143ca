/** `motepost alerts --archive`: what somebody asks of a collector about whom it tells. */
import { createServer, type IncomingMessage } from 'node:http'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { alerts, type AlertsOptions } from '../../agent/cli/alerts.js'
import { answerTold, openAlerts, type CollectorAlerts } from '../../agent/cli/collect-alerts.js'
import type { Judged } from '../../agent/collector/collector.js'
import { SystemClock } from '../../agent/hardware/clock.js'
import { listenControl } from '../../agent/hardware/control-socket.js'
import { FaultBoard } from '../../agent/health/health.js'
import { readCollectorSettings } from '../../agent/settings/settings.js'
import { ran, value } from './desk-rig.js'
import { archiveFolder, endAll } from './stations-rig.js'

const stops: (() => Promise<unknown>)[] = []
afterEach(async () => {
  for (const stop of stops.splice(0).reverse()) await stop()
  await endAll()
})

/** Texts that reached a web server on this machine. */
async function hook(): Promise<{ url: string; texts: string[] }> {
  const texts: string[] = []
  const server = createServer((request: IncomingMessage, response) => {
    let body = ''
    request.on('data', (bytes: Buffer) => (body += bytes.toString()))
    request.on('end', () => {
      texts.push((JSON.parse(body) as { text: string }).text)
      response.end()
    })
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  stops.push(() => new Promise((resolve) => server.close(resolve)))
  return { url: `http://127.0.0.1:${(server.address() as AddressInfo).port}/`, texts }
}

const clock = new SystemClock('system')

/** What a collector tells by its settings, and its control socket. */
async function collectorOf(url: string | undefined): Promise<{ archive: string; told?: CollectorAlerts }> {
  const archive = archiveFolder()
  const who = `delivery: { recipients: [{ alias: desk, ways: [{ way: webhook, to: '${url}' }], daily_line: [] }] }\n`
  const text = `version: 1\ncollector: { group: oakfield, archive: ${archive} }\nbroker: { url: 'mqtt://127.0.0.1:1' }\n`
  const read = readCollectorSettings(url === undefined ? text : text + who, 'c.yaml')
  if (!read.ok) throw new Error(JSON.stringify(read.faults))
  const told = value(await openAlerts(read.settings, clock, new FaultBoard(() => undefined)))
  if (told) stops.push(() => told.end())
  const socket = await listenControl(
    { path: join(archive, '.control.sock'), mode: 0o600 },
    async (request) => (await answerTold(told, request)) ?? { ok: false, words: 'not understood' },
  )
  stops.push(value(socket).close)
  return { archive, ...(told ? { told } : {}) }
}

const silent = {
  seen: { station: 'gate', clockOffsets: [] },
  judgement: {
    state: 'silent',
    reasons: [
      { code: 'silent', state: 'silent', words: 'nothing heard', firstThing: 'go there', tell: 'high' },
    ],
  },
} as unknown as Judged

const say = (options: Partial<AlertsOptions>) => ran(() => alerts({ settings: '/none', ...options }))

describe('alerts --archive', () => {
  it('shows what was raised and who was told, acknowledges, mutes and keeps it over a restart', async () => {
    const { url, texts } = await hook()
    const { archive, told } = await collectorOf(url)
    expect(await say({ archive })).toMatchObject({ code: 0, out: 'Nothing was raised.\ndesk: webhook\n' })
    told?.alerts.step([silent], true, clock.mono())
    await expect.poll(() => texts).toHaveLength(1)
    const code = / Code (\w{4})/.exec(texts[0])?.[1] ?? 'none'
    expect((await say({ archive })).out).toContain(`silent gate: raised; code ${code}; told desk\n`)
    expect(await say({ archive, acknowledge: code })).toMatchObject({
      ...{ code: 0, out: 'silent gate: acknowledged\n' },
    })
    expect(await say({ archive, mute: code, for: 12 })).toMatchObject({ code: 0 })
    expect(await say({ archive, acknowledge: 'XXXX' })).toMatchObject({ code: 1 })
    const json = await say({ archive, json: true })
    expect(JSON.parse(json.out)).toMatchObject({
      ok: true,
      delivery: {
        rules: [{ rule: 'silent gate', acknowledgedBy: 'at the collector', mutedForSeconds: 43_200 }],
      },
    })
    const past = await say({ history: true, store: join(archive, '.collector') })
    expect(past.out).toMatch(/acknowledged silent gate .*at the collector/)
  })

  it('sends a test message to one of those whom the collector tells', async () => {
    const { url, texts } = await hook()
    const { archive } = await collectorOf(url)
    expect(await say({ archive, sendTest: 'desk' })).toMatchObject({
      ...{ code: 0, out: expect.stringMatching(/^webhook: delivered\./) as string },
    })
    expect(texts).toEqual([expect.stringMatching(/^oakfield: test message/)])
    expect(await say({ archive, sendTest: 'nobody' })).toMatchObject({
      ...{ code: 1, out: 'no recipient is called nobody\n' },
    })
  })

  it('says that nobody is told there, or that none runs', async () => {
    const { archive } = await collectorOf(undefined)
    expect(await say({ archive, acknowledge: 'K7Q4' })).toMatchObject({
      ...{ code: 1, out: expect.stringContaining('this collector tells nobody') as string },
    })
    expect((await say({ archive })).out).toContain('Nobody is told')
    const none = await say({ archive: archiveFolder(), mute: 'all' })
    expect([none.code, none.out]).toEqual([1, expect.stringContaining('.control.sock')])
  })

  it('takes no request of another form', async () => {
    const { url } = await hook()
    const { told } = await collectorOf(url)
    for (const request of [
      { do: 'mute', what: 7, hours: 1 },
      { do: 'mute', what: 'all' },
      { do: 'acknowledge' },
      { do: 'send-test' },
    ])
      expect(await answerTold(told, request)).toMatchObject({ ok: false })
    for (const request of [{ do: 'status' }, null, 7, 'mute'])
      expect(await answerTold(told, request)).toBeUndefined()
  })
})
