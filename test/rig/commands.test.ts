/** The real agent behind a real mosquitto: a signed command from afar, and its answer. */
import { generateKeyPairSync, type KeyObject } from 'node:crypto'
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, expect, it, vi } from 'vitest'
import { addOperator } from '../../agent/cli/keys.js'
import { send } from '../../agent/cli/stations-send.js'
import { FieldRig } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'

vi.setConfig({ testTimeout: 180_000 })

const ends: (() => unknown)[] = []
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end()
})

/** What the command prints, whatever the stream, and its exit code. */
async function printed(work: () => number | Promise<number>): Promise<{ code: number; text: string }> {
  let text = ''
  const streams = [process.stdout, process.stderr].map((one) =>
    vi.spyOn(one, 'write').mockImplementation((part) => ((text += String(part)), true)),
  )
  const code = await work()
  for (const stream of streams) stream.mockRestore()
  return { code, text }
}

const pem = (key: KeyObject, type: 'pkcs8' | 'spki'): string => key.export({ format: 'pem', type }).toString()

async function rigWithOperator(role: string): Promise<{ rig: FieldRig; keyFile: string }> {
  const rig = await FieldRig.make({ broker: true })
  ends.push(() => rig.end(false))
  const { privateKey, publicKey } = generateKeyPairSync('ed25519')
  const keyFile = join(rig.folder, 'operator.key')
  const publicFile = join(rig.folder, 'operator.pem')
  writeFileSync(keyFile, pem(privateKey, 'pkcs8'))
  writeFileSync(publicFile, pem(publicKey, 'spki'))
  const added = await printed(() => addOperator(rig.settingsFile, 'anna', publicFile, { role }))
  expect(added.code, added.text).toBe(0)
  rig.start()
  rig.feedFrames()
  return { rig, keyFile }
}

const optionsOf = (rig: FieldRig, key: string, protocol = '5') => ({
  ...{ broker: `mqtt://127.0.0.1:${rig.broker!.port}`, group: 'home', key, protocol },
  waitMinutes: '1',
})

describeWith(['socat', 'mosquitto'], 'a command over a real broker', () => {
  it('of a reader asks for health and has nothing done', async () => {
    const { rig, keyFile } = await rigWithOperator('reader')
    const asked = await printed(() => send('north-fence', 'health', [], optionsOf(rig, keyFile)))
    expect(asked.code, asked.text).toBe(0)
    const refused = await printed(() => send('north-fence', 'restart', [], optionsOf(rig, keyFile)))
    expect(refused).toEqual({
      code: 1,
      text: 'north-fence: this key may only ask for health (not-allowed)\n',
    })
  })
})
