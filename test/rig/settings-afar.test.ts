/** Settings pushed from the desk to the real agent behind a real mosquitto: tried, kept, refused, and gone with a kill. */
import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { pathToFileURL } from 'node:url'
import { afterEach, expect, it, vi } from 'vitest'
import { addOperator } from '../../agent/cli/keys.js'
import { send } from '../../agent/cli/stations-send.js'
import { pushSettings, type PushOptions } from '../../agent/cli/stations-settings.js'
import { FieldRig } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { newKey } from '../support/keys.js'
import { printed } from '../support/printed.js'

vi.setConfig({ testTimeout: 180_000 })
const limitSeconds = 60

let rig: FieldRig | undefined
afterEach(async () => {
  await rig?.end(false)
  rig = undefined
})

/** A person at a desk: a key, and what the command prints and ends with. */
class Desk {
  readonly key: string

  constructor(
    private readonly rig: FieldRig,
    readonly name: string,
    role?: string,
  ) {
    const { privatePem, publicPem } = newKey()
    this.key = join(rig.folder, `${name}.key`)
    writeFileSync(this.key, privatePem)
    if (role === undefined) return
    const publicFile = join(rig.folder, `${name}.pem`)
    writeFileSync(publicFile, publicPem)
    const write = vi.spyOn(process.stdout, 'write').mockImplementation(() => true)
    addOperator(rig.settingsFile, name, publicFile, { role })
    write.mockRestore()
  }

  async ask(
    text?: string,
    more: Partial<PushOptions> = {},
  ): Promise<{ code: number; said: string; out: string }> {
    const file = join(this.rig.folder, 'push.yaml')
    if (text !== undefined) writeFileSync(file, text)
    return printed(() =>
      pushSettings('north-fence', text === undefined ? undefined : file, this.options(more)),
    )
  }

  options(more: Partial<PushOptions> = {}): PushOptions {
    const broker = `mqtt://127.0.0.1:${this.rig.broker!.port}`
    return { ...{ broker, group: 'home', key: this.key, protocol: '5' }, waitMinutes: '1', ...more }
  }

  /** @returns the id of the trial, on which the station runs now */
  async push(text: string): Promise<string> {
    const { code, said } = await this.ask(text)
    expect(code, said).toBe(0)
    await this.rig.untilHealth('on trial', () => this.rig.hasFault('settings-on-trial'), limitSeconds)
    return /--confirm ([0-9a-f]{16}) /.exec(said)![1]
  }
}

/** How often the agent began to run, in this process or the next. */
const runs = ({ log }: FieldRig): number => log.split('"msg":"running"').length - 1

async function station(env: NodeJS.ProcessEnv = {}): Promise<{ rig: FieldRig; anna: Desk }> {
  rig = await FieldRig.make({ broker: true })
  const anna = new Desk(rig, 'anna', 'operator')
  rig.start(env)
  rig.feedFrames()
  await waitFor('the first run', () => runs(rig!) === 1, limitSeconds)
  return { rig, anna }
}

async function killedAndStarted(one: FieldRig): Promise<void> {
  const before = runs(one)
  await one.stop('SIGKILL')
  one.start()
  await waitFor('the next process', () => runs(one) > before, limitSeconds)
}

/** By the newest line of a change of settings: the hash in it is that of the settings in force. */
const newestChange = (one: FieldRig): string =>
  one
    .eventLines()
    .filter((line) => line.includes(',settings,'))
    .at(-1)!
/** Why the station fell back, as health tells it. */
const detail = ({ health }: FieldRig): string =>
  health?.faults.find(({ code }) => code === 'settings-fell-back')?.detail ?? ''

describeWith(['socat', 'mosquitto'], 'settings from the desk', () => {
  it('are on trial, are kept by a confirm over a kill, and an edit of the file by hand ends them', async () => {
    const { rig, anna } = await station()
    expect((await anna.ask()).said).toContain('the file at the station alone is in force')
    const id = await anna.push('health: { every_min: 20 }\ndata: { flush_every_s: 2 }\n')
    await waitFor(
      'the line of the change',
      () => newestChange(rig).includes('health.every_min=20'),
      limitSeconds,
    )
    expect(newestChange(rig)).toContain(`from_afar=${id} of anna`)
    const confirmed = await anna.ask(undefined, { confirm: id })
    expect(confirmed).toMatchObject({ code: 0, said: `north-fence: ${id} is kept\n` })
    await rig.untilHealth('kept', () => !rig.hasFault('settings-on-trial'), limitSeconds)

    await killedAndStarted(rig)
    const over = await anna.ask()
    expect(over.said).toContain(`settings from afar over it (${id} of anna)`)
    expect(over.said).toContain('\nhealth:\n  every_min: 20\ndata:\n  flush_every_s: 2\n')
    expect(rig.hasFault('settings-fell-back')).toBe(false)

    writeFileSync(rig.settingsFile, readFileSync(rig.settingsFile, 'utf8') + '# seen to on site\n')
    rig.agent!.kill('SIGHUP')
    await rig.untilHealth('void', () => rig.hasFault('settings-fell-back'), limitSeconds)
    expect(detail(rig)).toContain('edited by hand')
    expect(newestChange(rig)).not.toContain('from_afar')
    expect((await anna.ask()).said).toContain('the file at the station alone is in force')
  })

  it('that make the link rarer are on trial for longer; a kill and a restart bring those before back, which is told', async () => {
    const { rig, anna } = await station()
    const { code, out } = await anna.ask('uplink: { pack_every_min: 240 }\n', { json: true })
    // Two intervals of packs.
    expect({ code, ...(JSON.parse(out) as object) }).toMatchObject({ code: 0, ok: true, minutes: 480 })
    await rig.untilHealth('on trial', () => rig.hasFault('settings-on-trial'), limitSeconds)
    const { trial } = JSON.parse(out) as { trial: string }
    await killedAndStarted(rig)
    await rig.untilHealth('fallen back', () => rig.hasFault('settings-fell-back'), limitSeconds)
    expect(newestChange(rig)).not.toContain('from_afar')
    const late = await anna.ask(undefined, { confirm: trial })
    expect(late).toMatchObject({ code: 1, said: expect.stringContaining('no trial runs here') as string })

    const id = await anna.push('health: { every_min: 20 }\n')
    await printed(() => send('north-fence', 'restart', [], anna.options()))
    await rig.untilHealth('fallen back again', () => detail(rig).includes(id), limitSeconds)
    expect(rig.log).toContain('stopped: asked to begin anew')
  })

  it('that say what may not be said, or come from who may not say it, change nothing', async () => {
    const { rig, anna } = await station()
    const refused = await anna.ask('health: { every_min: 20 }\ndata:\n  folder: /elsewhere\nhealth_: 1\n')
    expect(refused.code).toBe(1)
    expect(refused.said).toMatch(/push\.yaml:3:3 data\.folder: cannot be set from afar; .* at the station\n/)
    expect(refused.said).toMatch(/push\.yaml:4:1 health_: /)
    const reader = await new Desk(rig, 'ben', 'reader').ask('health: { every_min: 20 }\n')
    expect(reader).toMatchObject({
      code: 1,
      said: 'north-fence: this key may only ask for health (not-allowed)\n',
    })
    const stranger = await new Desk(rig, 'carl').ask('health: { every_min: 20 }\n', { waitMinutes: '0.05' })
    expect(stranger).toMatchObject({ code: 1, said: expect.stringContaining('no answer') as string })
    expect(runs(rig)).toBe(1)
    expect(rig.hasFault('settings-on-trial')).toBe(false)
    expect(existsSync(join(rig.data, '.settings-trial.json'))).toBe(false)
  })

  it('that nobody confirms are over when their time is, and those before come back', async () => {
    const preload = pathToFileURL(join(import.meta.dirname, '../support/short-trials.mjs'))
    const { rig, anna } = await station({ NODE_OPTIONS: `--import ${preload.href}` })
    const id = await anna.push('health: { every_min: 20 }\n')
    await rig.untilHealth('fallen back', () => rig.hasFault('settings-fell-back'), limitSeconds)
    expect(rig.log).toContain('stopped: trial of settings is over')
    expect(detail(rig)).toContain(`trial ${id} `)
    const late = await anna.ask(undefined, { confirm: id })
    expect(late.code).toBe(1)
  })
})
