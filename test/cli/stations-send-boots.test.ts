/** Nobody signs the boot that a station says it has: whoever makes one up gets no second command for the true one. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connectAsync } from 'mqtt'
import { expect, it } from 'vitest'
import { send } from '../../agent/cli/stations-send.js'
import { newKey } from '../support/keys.js'
import { startMosquitto } from '../support/mosquitto.js'
import { printed } from '../support/printed.js'
import { describeWith } from '../support/real-parts.js'

const [boot, other] = ['0a1b2c3d', '99999999']

/** Sends to a station of which somebody at the broker says, after each command, that it began anew, there and back. */
async function bootsOf(what: string, details: string[]): Promise<{ boots: unknown[]; said: string }> {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-send-'))
  const broker = await startMosquitto()
  const url = `mqtt://127.0.0.1:${broker.port}`
  const client = await connectAsync(url, { protocolVersion: 5 })
  try {
    const key = join(folder, 'anna.key')
    writeFileSync(key, newKey().privatePem)
    const alive = (id: string) =>
      client.publishAsync(
        'motepost/1/home/gate/alive',
        JSON.stringify({ v: 1, boot: id, state: 'running' }),
        {
          retain: true,
          qos: 1,
        },
      )
    const boots: unknown[] = []
    client.on('message', (_, payload) => {
      boots.push(/"boot":"(\w+)"/.exec(payload.toString())?.[1])
      void alive(other).then(() => alive(boot))
    })
    await client.subscribeAsync('motepost/1/home/gate/command', { qos: 1 })
    await alive(boot)
    const options = { broker: url, group: 'home', key, protocol: '5', waitMinutes: '0.05' }
    const { code, said } = await printed(() => send('gate', what, details, options))
    expect(code).toBe(1)
    return { boots, said }
  } finally {
    await client.endAsync(true)
    await broker.remove()
    rmSync(folder, { recursive: true })
  }
}

describeWith(['mosquitto'], 'a boot that changes while an answer is waited for', () => {
  it('ends the waiting where the command must not be done twice', async () => {
    const { boots, said } = await bootsOf('sitelog', ['kind=observed', 'note=once'])
    expect(boots).toEqual([boot])
    expect(said).toContain('began anew before it answered; sitelog may be done all the same')
  })

  it('gets one command more where that is harmless, and each boot one only', async () => {
    expect((await bootsOf('health', [])).boots).toEqual([boot, other])
  })
})
