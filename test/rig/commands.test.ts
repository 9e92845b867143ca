/** The real agent behind a real mosquitto: a signed command from afar, its answer, and the same message said twice. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { connectAsync, type MqttClient } from 'mqtt'
import { afterEach, expect, it, vi } from 'vitest'
import { check } from '../../agent/cli/check.js'
import { addOperator } from '../../agent/cli/keys.js'
import { readPack } from '../../agent/uplink/uplink.js'
import { send } from '../../agent/cli/stations-send.js'
import { startReceivers, type Receivers } from '../support/alert-receivers.js'
import { FieldRig } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { newKey } from '../support/keys.js'
import { printed } from '../support/printed.js'

vi.setConfig({ testTimeout: 180_000 })

const ends: (() => unknown)[] = []
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end()
})

async function rigWithOperator(
  role: string,
  settings: (folder: string) => Promise<string> = () => Promise.resolve(''),
): Promise<{ rig: FieldRig; keyFile: string; client: MqttClient }> {
  const rig = await FieldRig.make({ broker: true })
  ends.push(() => rig.end(false))
  rig.writeSettings({ settings: await settings(rig.folder) })
  const { privatePem, publicPem } = newKey()
  const keyFile = join(rig.folder, 'operator.key')
  const publicFile = join(rig.folder, 'operator.pem')
  writeFileSync(keyFile, privatePem)
  writeFileSync(publicFile, publicPem)
  const added = await printed(() => addOperator(rig.settingsFile, 'anna', publicFile, { role }))
  expect(added.code, added.said).toBe(0)
  rig.start()
  rig.feedFrames()
  const client = await connectAsync(`mqtt://127.0.0.1:${rig.broker!.port}`, { protocolVersion: 5 })
  ends.push(() => client.endAsync(true))
  return { rig, keyFile, client }
}

const optionsOf = (rig: FieldRig, key: string, protocol = '5') => ({
  ...{ broker: `mqtt://127.0.0.1:${rig.broker!.port}`, group: 'home', key, protocol },
  waitMinutes: '1',
})

describeWith(['socat', 'mosquitto'], 'a command over a real broker', () => {
  it('is done once and answered, is refused when it is said again, and restarts the agent', async () => {
    const { rig, keyFile, client } = await rigWithOperator('operator')
    const replies: Record<string, unknown>[] = []
    const commands: Buffer[] = []
    client.on('message', (topic, payload) => {
      if (topic.endsWith('/reply')) replies.push(JSON.parse(payload.toString()) as Record<string, unknown>)
      else commands.push(payload)
    })
    await client.subscribeAsync(['motepost/1/+/+/reply', 'motepost/1/+/+/command'], { qos: 1 })

    const noted = await printed(() =>
      send('north-fence', 'sitelog', ['kind=observed', 'note=smoke from a field'], optionsOf(rig, keyFile)),
    )
    expect(noted.code, noted.said).toBe(0)
    const wrong = await printed(() =>
      send('north-fence', 'sitelog', ['kind=observed', 'from=8 o’clock'], optionsOf(rig, keyFile)),
    )
    expect(wrong).toMatchObject({ code: 1, said: expect.stringContaining('north-fence: from: ') as string })
    const asked = await printed(() => send('north-fence', 'health', [], optionsOf(rig, keyFile, '4')))
    expect(JSON.parse(asked.out)).toMatchObject({ station: 'north-fence', commands: { taken: 3 } })

    await client.publishAsync(`motepost/1/home/north-fence/command`, commands[0], { qos: 1 })
    await waitFor('the replay to be refused', () => replies.some(({ refused }) => refused === 'replayed'), 60)
    const told = await printed(() => send('north-fence', 'health', [], optionsOf(rig, keyFile)))
    expect(JSON.parse(told.out)).toMatchObject({
      commands: { keys: 1, heard: true, taken: 5, refused: { replayed: 1 } },
    })

    const nobody = await printed(() =>
      send('north-fnce', 'health', [], { ...optionsOf(rig, keyFile), waitMinutes: '0.2' }),
    )
    expect(nobody).toMatchObject({ code: 1, out: '' })
    expect(nobody.said).toMatch(/^waiting for north-fnce, of which this broker holds no word .*up to 0.2 min/)

    // Where the broker takes the user's name for the client's a second login would end the agent's connection.
    const looked = await printed(() => check(rig.settingsFile, {}))
    expect(looked.said).toMatch(/^broker {4}well: mqtt:.*: the running agent is connected$/m)

    const again = await printed(() => send('north-fence', 'restart', [], optionsOf(rig, keyFile)))
    expect(again.code, again.said).toBe(0)
    await waitFor('the agent to begin anew', () => rig.log.includes('asked to begin anew'), 60)
    const after = await printed(() => send('north-fence', 'health', [], optionsOf(rig, keyFile)))
    expect(JSON.parse(after.out)).toMatchObject({ session: 2 })
    expect(replies.filter(({ ok }) => ok === true)).toHaveLength(5)
  })

  it('of a reader asks for health and has nothing done', async () => {
    const { rig, keyFile } = await rigWithOperator('reader')
    const asked = await printed(() => send('north-fence', 'health', [], optionsOf(rig, keyFile)))
    expect(asked.code, asked.said).toBe(0)
    const refused = await printed(() => send('north-fence', 'restart', [], optionsOf(rig, keyFile)))
    expect(refused).toMatchObject({
      code: 1,
      said: 'north-fence: this key may only ask for health (not-allowed)\n',
    })
  })
})

const dust = `alerts:
  - { rule: dust, channel: pm2_5, average: 1-min, above: 50, off_delay_min: 0, min_data_capture_percent: 1, priority: high }
`

describeWith(['socat', 'mosquitto', 'openssl'], 'alerts and lines, commanded from afar', () => {
  it('are told to nobody while muted, acknowledged by the name of the key, and sent again by number', async () => {
    let told: Receivers | undefined
    const { rig, keyFile, client } = await rigWithOperator('operator', async (folder) => {
      told = await startReceivers(folder)
      ends.push(() => told!.end())
      return dust + told.settings
    })
    const timesSent = new Map<number, number>()
    client.on('message', (_, payload) => {
      const pack = readPack(payload)
      if (pack.ok) for (const { seq } of pack.value.lines) timesSent.set(seq, (timesSent.get(seq) ?? 0) + 1)
    })
    await client.subscribeAsync('motepost/1/+/+/lines', { qos: 1 })
    const order = async (what: string, ...details: string[]): Promise<void> => {
      const { code, said } = await printed(() => send('north-fence', what, details, optionsOf(rig, keyFile)))
      expect(code, said).toBe(0)
    }

    await order('mute', 'what=dust', 'hours=2')
    rig.feedFrames(300, () => 120)
    await waitFor('the raise', () => rig.retained('alerts/dust')?.state === 'raised', 120)
    await order('acknowledge', 'what=dust')
    await rig.untilMeasured('while muted', rig.newestSeq, 4, 60)
    await order('mute', 'what=dust', 'hours=0')
    await waitFor('the message to a program', () => told!.hook.posts.length > 0, 60)
    const lines = rig.eventLines()
    const at = (part: string): number => lines.findIndex((line) => line.includes(part))
    // Nothing was tried before the mute ended, and the acknowledgement bears the name that the key has at this station.
    expect(lines[at(',acknowledged,')]).toContain('anna')
    expect(at('state=trying')).toBeGreaterThan(lines.findLastIndex((line) => line.includes(',muted,')))

    const before = timesSent.get(1) ?? 0
    await order('resend', 'from=1', 'to=3')
    await waitFor(
      'lines 1 to 3 again',
      () => [1, 2, 3].every((seq) => (timesSent.get(seq) ?? 0) > before),
      60,
    )
  })
})
