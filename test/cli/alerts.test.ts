/** `motepost alerts` as a person runs it: against a running station that tells a program of its own, and where none runs. */
import { execFile } from 'node:child_process'
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { afterAll, beforeAll, expect, it, vi } from 'vitest'
import { FieldRig, program } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 120_000, hookTimeout: 120_000 })

interface Ran {
  readonly code: number
  readonly out: string
  readonly err: string
}

/** The server of the test answers meanwhile. */
const motepost = (...args: string[]): Promise<Ran> =>
  new Promise((resolve) =>
    execFile(process.execPath, [program, ...args], { timeout: 60_000 }, (error, out, err) =>
      resolve({ code: error ? Number(error.code) : 0, out, err }),
    ),
  )

const widest = (text: string): number => Math.max(...text.split('\n').map((line) => line.length))

describeWith(['socat'], 'alerts', () => {
  let rig: FieldRig
  const posts: string[] = []
  const hook = createServer((request, response) => {
    const chunks: Buffer[] = []
    request.on('data', (chunk: Buffer) => chunks.push(chunk))
    request.on('end', () => {
      posts.push(Buffer.concat(chunks).toString())
      response.writeHead(204).end()
    })
  })
  const alerts = (...args: string[]): Promise<Ran> => motepost('alerts', '-s', rig.settingsFile, ...args)

  beforeAll(async () => {
    rig = await FieldRig.make()
    await new Promise<void>((resolve) => hook.listen(0, '127.0.0.1', resolve))
    const { port } = hook.address() as AddressInfo
    rig.writeSettings({
      settings: `alerts:
  - { rule: dust-at-the-fence, channel: pm2_5, average: 1-min, above: 50, min_data_capture_percent: 1 }
delivery:
  recipients:
    - alias: warden-of-the-site
      ways: [{ way: webhook, to: 'http://127.0.0.1:${port}/hidden-path' }]
      quiet_from_h: 0
      quiet_to_h: 0
    - alias: office
      ways: [{ way: email, to: office@example.org }]
      quiet_from_h: 0
      quiet_to_h: 0
      daily_line: []
  mail: { server: 127.0.0.1, port: 1, security: none, from: station@example.org, limit_s: 5 }
`,
    })
  })
  afterAll(async () => {
    hook.closeAllConnections()
    hook.close()
    await rig.end(false)
  })

  it('says that no agent runs, and what is wrong with what was asked', async () => {
    const silent = await alerts()
    expect([silent.code, silent.out]).toEqual([1, expect.stringContaining('no agent runs')])
    const both = await alerts('--acknowledge', 'K7A4', '--mute', 'all')
    expect([both.code, both.err]).toEqual([2, 'one at a time: --send-test, --acknowledge or --mute\n'])
    const alone = await alerts('--for', '3')
    expect([alone.code, alone.err]).toEqual([2, '--for belongs to --mute\n'])
    const long = await alerts('--mute', 'all', '--for', '169')
    expect([long.code, long.err]).toEqual([2, expect.stringContaining('a number of hours from 0 to 168')])
    const none = await motepost('alerts', '--history', '--store', rig.folder)
    expect([none.code > 0, none.out]).toEqual([true, ''])
  })

  it('shows rule, code, who was told and what waits, and takes an acknowledgement and a mute', async () => {
    rig.feedFrames(300, () => 120)
    rig.start()
    await waitFor('the webhook', () => posts.length > 0, 60)
    const { facts } = JSON.parse(posts[0]) as { facts: { code: string; rule: string } }
    expect(facts.rule).toBe('dust-at-the-fence')
    await waitFor(
      'the mail to have failed',
      async () => (await alerts()).out.includes('waits: dust-at-the-fence'),
      60,
    )
    const shown = await alerts()
    console.info(shown.out)
    expect(shown.code).toBe(0)
    expect(shown.out.replace(/\n +/g, ' ')).toMatch(
      new RegExp(
        `^dust-at-the-fence: raised \\(120\\.00.*\\); code ${facts.code}; told warden-of-the-site$`,
        'm',
      ),
    )
    expect(shown.out).toMatch(/^office: email\n {2}waits: dust-at-the-fence raised, for /m)
    expect(widest(shown.out)).toBeLessThan(80)
    expect(shown.out).not.toMatch(/hidden-path|example\.org|127\.0/)

    const taken = await alerts('--acknowledge', facts.code.toLowerCase())
    expect(taken).toMatchObject({ code: 0, out: 'dust-at-the-fence: acknowledged\n' })
    const unknown = await alerts('--acknowledge', 'Z9Z9')
    expect([unknown.code, unknown.out]).toEqual([1, 'nothing is known as Z9Z9\n'])
    const muted = await alerts('--mute', 'dust-at-the-fence', '--for', '12')
    expect(muted).toMatchObject({ code: 0, out: 'dust-at-the-fence: muted for 12 h\n' })
    expect((await alerts('--mute', 'all')).out).toBe('all: muted for 8 h\n')
    const after = (await alerts()).out.replace(/\n +/g, ' ')
    expect(after).toContain('acknowledged at the station; muted for 720 min more')
    expect(after).toContain('All is muted for 480 min more.')
    expect((await alerts('--mute', 'all', '--for', '0')).out).toBe('all: no longer muted\n')

    const told = JSON.parse((await alerts('--json')).out) as Record<string, unknown>
    expect(told).toMatchObject({
      ok: true,
      station: 'north-fence',
      delivery: {
        rules: [{ rule: 'dust-at-the-fence', code: facts.code, acknowledgedBy: 'at the station' }],
      },
    })
    expect(told).not.toHaveProperty('delivery.allMutedForSeconds')
  })

  it('sends a test message and says by which way it went, by which it did not, and to whom it cannot', async () => {
    const before = posts.length
    const sent = await alerts('--send-test', 'warden-of-the-site')
    expect([sent.code, sent.out]).toEqual([0, expect.stringMatching(/^webhook: delivered\. /)])
    expect(posts.slice(before).map((body) => (JSON.parse(body) as { text: string }).text)).toEqual([
      expect.stringContaining('north-fence: test message'),
    ])
    const failed = await alerts('--send-test', 'office')
    expect([failed.code, failed.out]).toEqual([1, expect.stringMatching(/^email: not delivered\. /)])
    expect(failed.out).not.toContain('example.org')
    expect(widest(failed.out)).toBeLessThan(80)
    const nobody = await alerts('--send-test', 'someone-else')
    expect([nobody.code, nobody.out]).toEqual([1, 'no recipient is called someone-else\n'])
    const json = await alerts('--send-test', 'office', '--json')
    expect([json.code, JSON.parse(json.out)]).toMatchObject([
      1,
      { tests: [{ way: 'email', delivered: false }] },
    ])
  })

  it('reads from the store what was raised, told, acknowledged and muted, while the station runs and after', async () => {
    const running = await alerts('--history')
    expect(await rig.stop()).toBe(0)
    const after = await motepost('alerts', '--history', '--store', rig.data)
    expect(running.code).toBe(0)
    expect(after.out).toContain(running.out.trimEnd())
    console.info(after.out)
    const [first, ...more] = after.out.replace(/\n +/g, ' ').trimEnd().split('\n')
    expect(first).toMatch(/^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ {2}alert dust-at-the-fence raised 120\.00$/)
    const text = more.join('\n')
    expect(text).toMatch(/delivery dust-at-the-fence delivered to warden-of-the-site by webhook/)
    expect(text).toMatch(/acknowledged dust-at-the-fence at the station/)
    expect(text).toMatch(/muted dust-at-the-fence for 720 min at the station/)
    expect(text).toMatch(/failed to office by email code \w{4}: the mail server cannot be reached/)
    expect(text).toMatch(/muted all no longer at the station/)
    expect(widest(after.out)).toBeLessThan(80)
    expect(after.out).not.toMatch(/hidden-path|example\.org|127\.0/)
    const json = await motepost('alerts', '--history', '--json', '--store', rig.data)
    const lines = json.out
      .trimEnd()
      .split('\n')
      .map((line) => JSON.parse(line) as Record<string, unknown>)
    expect(lines[0]).toMatchObject({
      what: 'alert',
      rule: 'dust-at-the-fence',
      state: 'raised',
      value: '120.00',
    })
  })
})
