/**
 * An alert from the dust to the phone, with real parts: bytes on the sensor's pty, the built `motepost run`, and at the ends
 * a modem on another pty, a mail server, a web server and a broker. Records are one second long; the rest is as in the field.
 */
import { execFile } from 'node:child_process'
import { createHmac } from 'node:crypto'
import { closeSync, fdatasyncSync, openSync, readdirSync, readFileSync, writeSync } from 'node:fs'
import { join } from 'node:path'
import { promisify } from 'node:util'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { secrets, startReceivers, type Receivers } from '../support/alert-receivers.js'
import { FieldRig, program } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

const rule = `alerts:
  - { rule: dust, channel: pm2_5, average: 1-min, above: 50, off_delay_min: 0, min_data_capture_percent: 1, priority: high }
`
const codeOf = (text: string): string => /Code ([A-Z]\d[A-Z]\d)/.exec(text)?.[1] ?? `no code in: ${text}`

/** Seconds since the board's start, as the agent counts them. */
const uptimeSeconds = (): number => Number(readFileSync('/proc/uptime', 'utf8').split(' ')[0])

/** The cell after the boot in each alert line: when the record closed that raised it. */
function alertSeconds(folder: string): number[] {
  const files = readdirSync(folder).filter((name) => name.startsWith('lines-'))
  const lines = files.flatMap((name) => readFileSync(join(folder, name), 'utf8').split('\n'))
  return lines
    .map((line) => line.split(','))
    .filter((cells) => cells[0] === 'event' && cells[5] === 'alert')
    .map((cells) => Number(cells[3]))
}

/** The middle of some syncs of a short line beside the store, s. */
function syncSeconds(folder: string): number {
  const fd = openSync(join(folder, 'probe'), 'a')
  const each = Array.from({ length: 15 }, () => {
    writeSync(fd, 'event,1,0badc0de,1,,probe\n')
    const from = performance.now()
    fdatasyncSync(fd)
    return (performance.now() - from) / 1000
  })
  closeSync(fd)
  return each.sort((a, b) => a - b)[7]
}

describeWith(['socat', 'mosquitto', 'openssl'], 'an alert, from the dust to the phone', () => {
  let rig: FieldRig
  let ends: Receivers

  beforeEach(async () => {
    rig = await FieldRig.make({ broker: true })
    ends = await startReceivers(rig.folder)
    rig.writeSettings({ settings: rule + ends.settings })
  })
  afterEach(async ({ task }) => {
    await ends.end()
    await rig.end(task.result?.state === 'fail')
  })

  const motepost = async (...args: string[]): Promise<string> => {
    const all = [program, ...args, '--settings', rig.settingsFile]
    return (await promisify(execFile)(process.execPath, all)).stdout
  }
  const delivered = async (rules: number): Promise<void> => {
    const given = async (): Promise<number> => {
      const { delivery } = JSON.parse(await motepost('alerts', '--json')) as {
        delivery: { rules: { told: string[] }[] }
      }
      return delivery.rules.filter(({ told }) => told.length === 3).length
    }
    await waitFor(`${rules} rule told to all three`, async () => (await given()) >= rules, 60)
  }

  /** All that the station wrote and says of itself. */
  async function shown(): Promise<string> {
    const files = readdirSync(rig.data, { recursive: true, withFileTypes: true }).filter((f) => f.isFile())
    const texts = files.map((file) => readFileSync(join(file.parentPath, file.name), 'latin1'))
    const said = [
      await motepost('status'),
      await motepost('status', '--json'),
      await motepost('alerts'),
      await motepost('alerts', '--json'),
      await motepost('alerts', '--history'),
      await motepost('alerts', '--history', '--json'),
    ]
    return [
      ...texts,
      rig.log,
      JSON.stringify(rig.health),
      JSON.stringify(rig.retained('alerts/dust')),
      ...said,
    ].join('\n')
  }

  it('goes out by each way once, is acknowledged by SMS, ends with the same code, and no number or secret is left anywhere', async () => {
    const { modem, mail, hook } = ends
    rig.feedFrames(300, () => 120)
    rig.start()
    const heardBefore = (): number => modem.commands.length
    await rig.untilMeasured('before the alert')
    let firstByte: number | undefined
    let known = heardBefore()
    await waitFor(
      'the SMS',
      () => {
        if (alertSeconds(rig.data).length === 0) known = heardBefore()
        else if (firstByte === undefined && heardBefore() > known) firstByte = uptimeSeconds()
        return modem.taken.length > 0
      },
      120,
    )
    await waitFor('the mail', () => mail.mails.length > 0, 60)
    await waitFor('the webhook', () => hook.posts.length > 0, 60)
    await waitFor('the retained state', () => rig.retained('alerts/dust')?.state === 'raised', 60)
    const [sms] = modem.taken
    const code = codeOf(sms.text)
    expect(sms).toMatchObject({ to: secrets.number, alphabet: '7-bit' })
    expect(sms.text).toMatch(/^north-fence: PM2\.5 1-min mean \d+\.\d\d ug\/m3 uncorrected, above 50 since /)
    expect(mail.mails[0]).toMatchObject({ to: [secrets.address], from: secrets.sender, user: secrets.user })
    expect(mail.mails[0].text.replace(/=\r\n/g, '')).toContain(code)
    const { headers, body } = hook.posts[0]
    expect(JSON.parse(body)).toMatchObject({ facts: { rule: 'dust', state: 'raised', code } })
    const signed = createHmac('sha256', secrets.hookSecret).update(
      `${String(headers['motepost-time'])}.${body}`,
    )
    expect(headers['motepost-signature']).toBe(signed.digest('hex'))
    await delivered(1)
    const [raisedAt] = alertSeconds(rig.data)
    console.info(
      `alerts: ${(firstByte! - raisedAt).toFixed(2)} s from the close of the record to the first byte at the modem; one sync ${syncSeconds(rig.folder).toFixed(4)} s`,
    )

    modem.inbox.set(1, { from: '+15550199999', body: code })
    modem.inbox.set(2, { from: secrets.number, body: `${code.toLowerCase()} thanks` })
    await waitFor(
      'the answer to be heard',
      async () => (await motepost('alerts')).includes('acknowledged by warden'),
      180,
    )
    expect(modem.inbox.size).toBe(0)

    rig.feedFrames(300, () => 8)
    await waitFor(
      'the end, told by each way',
      () => Math.min(modem.taken.length, mail.mails.length, hook.posts.length) > 1,
      120,
    )
    expect(modem.taken[1].text).toMatch(/back below 45 /)
    expect(codeOf(modem.taken[1].text)).toBe(code)
    await delivered(1)
    await waitFor('the retained end', () => rig.retained('alerts/dust')?.state === 'back below', 60)

    const text = await shown()
    expect(text).toContain('warden')
    expect(text).toMatch(/^modem +registered/m)
    for (const secret of [...Object.values(secrets), secrets.number.slice(1)])
      expect(text.includes(secret), secret).toBe(false)
    expect(await rig.stop()).toBe(0)
    expect([modem.taken.length, mail.mails.length, hook.posts.length]).toEqual([2, 2, 2])
  }, 600_000)

  it('killed between sending and noting comes at most once more, with the same code, and to a program under the same key', async () => {
    const { modem, mail, hook } = ends
    modem.submission = { lateSeconds: 20 }
    hook.isHeld = true
    rig.feedFrames(300, () => 120)
    rig.start()
    await waitFor('SMS and webhook on their way', () => modem.taken.length > 0 && hook.posts.length > 0, 120)
    expect(await rig.stop('SIGKILL')).toBe(null)
    modem.submission = 'well'
    hook.isHeld = false
    rig.start()
    await waitFor('both again', () => modem.taken.length > 1 && hook.posts.length > 1, 120)
    await delivered(1)
    const codes = new Set(modem.taken.map(({ text }) => codeOf(text)))
    const keys = new Set(hook.posts.map(({ headers }) => headers['idempotency-key']))
    expect([modem.taken.length, codes.size, keys.size]).toEqual([2, 1, 1])
    expect(mail.mails.length).toBeLessThanOrEqual(2)

    // Killed when all is noted it comes no more.
    const before = [modem.taken.length, mail.mails.length, hook.posts.length]
    await rig.stop('SIGKILL')
    rig.start()
    await rig.untilMeasured('after the second kill', rig.newestSeq, 5, 60)
    await delivered(1)
    expect([modem.taken.length, mail.mails.length, hook.posts.length]).toEqual(before)
    expect(await rig.stop()).toBe(0)
  }, 600_000)
})
