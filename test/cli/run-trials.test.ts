/** Settings from afar from run to run of one station, as `run` lets them, on a real disk; only the time is made. */
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeEach, describe, expect, it } from 'vitest'
import { judgePushed, prepareWithPushed } from '../../agent/cli/pushed-plan.js'
import { inForceWords, RunTrials } from '../../agent/cli/run-trials.js'
import { FaultBoard } from '../../agent/health/health.js'
import { monoSeconds } from '../../agent/terms/terms.js'

const root = mkdtempSync(join(tmpdir(), 'motepost-trials-'))
afterAll(() => rmSync(root, { recursive: true }))

let places = 0
let folder: string
beforeEach(() => {
  folder = join(root, String(places++))
  mkdirSync(join(folder, 'data'), { recursive: true })
  writeFileSync(join(folder, 'station.yaml'), own())
})

const own = (more = '') => `version: 1
station: { name: here, time_zone: Etc/GMT }
instruments: [{ layout: frames-424d-32, port: /dev/serial/by-id/adapter }]
data: { folder: ${join(folder, 'data')} }
uplink: { mode: mqtt, url: 'mqtt://b.example' }
${more}`

/** One process: made anew where it was killed. */
class Process {
  now = 0
  ends: string[] = []
  faults = new FaultBoard(() => undefined)
  everyMinutes: number | undefined
  isTrial = false
  private waiting: { until: number; wake: () => void }[] = []
  readonly trials = new RunTrials(join(folder, 'station.yaml'), {
    judge: judgePushed,
    now: () => this.now,
    after: (seconds) => new Promise((wake) => this.waiting.push({ until: this.now + seconds, wake })),
  })

  async run(wrong: readonly string[] = []): Promise<void> {
    const preparation = {
      ...(await prepareWithPushed(this.trials.file)),
      ...(wrong.length > 0 ? { wrong } : {}),
    }
    const { plan, isTrial } = await this.trials.begin(preparation, preparation.plan!)
    this.isTrial = isTrial
    this.everyMinutes = plan.settings.health.everyMinutes
    this.faults = new FaultBoard(() => undefined)
    this.ends = []
    const end = (why: string): void => void this.ends.push(why)
    this.trials.serve({ plan, faults: this.faults, mono: () => monoSeconds(this.now), end })
  }

  async ask(input: Record<string, unknown>): Promise<Record<string, unknown>> {
    const { answer, afterwards } = await this.trials.act(input, 'anna')
    afterwards?.()
    return answer
  }

  async pass(seconds: number): Promise<void> {
    this.now += seconds
    for (const one of this.waiting.filter(({ until }) => until <= this.now)) one.wake()
    for (let i = 0; i < 5; i++) await Promise.resolve()
  }

  get told(): [code: string, detail: string][] {
    return this.faults.list().map(({ code, detail }) => [code, detail])
  }
}

const fellBack = (words: string): unknown[] => ['settings-fell-back', expect.stringContaining(words)]

const text = 'health: { every_min: 20 }\n'

async function onTrial(): Promise<{ life: Process; id: unknown }> {
  const life = new Process()
  await life.run()
  expect([life.everyMinutes, life.trials.inForce(), life.told]).toEqual([60, { from: 'file' }, []])
  const { trial: id } = await life.ask({ text })
  expect(life.ends).toEqual(['settings on trial'])
  await life.run()
  expect([life.everyMinutes, life.isTrial]).toEqual([20, true])
  return { life, id }
}

describe('settings from afar in a run', () => {
  it('are on trial, told as a fault and with the time that is left, and kept by a confirm', async () => {
    const { life, id } = await onTrial()
    expect(life.told).toEqual([['settings-on-trial', `${String(id)} of anna, for 120 min`]])
    await life.pass(3600)
    expect(life.trials.inForce()).toEqual({ from: 'trial', id, by: 'anna', left_s: 3600 })
    expect(await life.ask({ confirm: id })).toMatchObject({ ok: true })
    expect([life.told, life.ends, life.trials.inForce()]).toEqual([
      [],
      [],
      { from: 'pushed', id, by: 'anna' },
    ])
    await life.pass(7200)
    expect(life.ends).toEqual([])
    const next = new Process()
    await next.run()
    expect([next.everyMinutes, next.told, next.trials.inForce()]).toEqual([
      20,
      [],
      { from: 'pushed', id, by: 'anna' },
    ])
    expect(await next.ask({})).toMatchObject({ ok: true, kept: 'health:\n  every_min: 20\n' })
  })

  it('leave nothing over the file where all of them were taken back', async () => {
    const { life, id } = await onTrial()
    await life.ask({ confirm: id })
    const taken = await life.ask({ text: '{}', file: 'none.yaml', alone: true })
    await life.run()
    expect(await life.ask({ confirm: taken.trial })).toMatchObject({ ok: true })
    expect(life.trials.inForce()).toEqual({ from: 'file' })
    const next = new Process()
    await next.run()
    expect([next.everyMinutes, next.trials.inForce()]).toEqual([60, { from: 'file' }])
  })

  it('fall back when their time is over, and that is told until the next start', async () => {
    const { life, id } = await onTrial()
    await life.pass(7200)
    expect(life.ends).toEqual(['trial of settings is over'])
    await life.run()
    expect([life.everyMinutes, life.told]).toEqual([
      60,
      [['settings-fell-back', `trial ${String(id)} ended, and nobody had confirmed it`]],
    ])
    await life.run()
    expect(life.told).toEqual([])
  })

  it('fall back with the process, with a run that begins anew, and with an edit of the file', async () => {
    for (const end of ['kill', 'restart', 'edit']) {
      const { life, id } = await onTrial()
      if (end === 'edit') writeFileSync(life.trials.file, own('# edited\n'))
      const next = end === 'kill' ? new Process() : life
      await next.run()
      expect([next.everyMinutes, next.told], end).toEqual([60, [fellBack(`trial ${String(id)} `)]])
      expect(await next.ask({ confirm: id })).toMatchObject({ ok: false })
    }
  })

  it('go back at once where the run on them cannot be opened', async () => {
    const { life, id } = await onTrial()
    // As `run` does after a fault: nothing was served, the run begins again.
    await life.run()
    expect([life.everyMinutes, life.isTrial]).toEqual([60, false])
    expect(life.told).toEqual([fellBack(`trial ${String(id)} `)])
  })

  it('that were kept end for good with an edit by hand: the old text does not bring them back', async () => {
    const { life, id } = await onTrial()
    await life.ask({ confirm: id })
    writeFileSync(life.trials.file, own('# edited\n'))
    await life.run()
    expect([life.everyMinutes, life.trials.inForce()]).toEqual([60, { from: 'file' }])
    expect(life.told).toEqual([fellBack('are void: the settings file was edited')])
    writeFileSync(life.trials.file, own())
    await life.run()
    expect([life.everyMinutes, life.told]).toEqual([60, []])
  })

  it('are not taken while the station runs on anything but its own file, and a trial that waits is dropped', async () => {
    const life = new Process()
    await life.run()
    await life.ask({ text })
    await life.run(['the file is broken'])
    expect([life.everyMinutes, life.isTrial]).toEqual([60, false])
    expect(await life.ask({ text })).toMatchObject({
      ok: false,
      words: expect.stringContaining('mended') as string,
    })
    expect(await life.ask({})).toMatchObject({ ok: true, settings: { from: 'file' } })
  })

  it('are said in words', () => {
    expect(inForceWords({ from: 'file' })).toBe('the file at the station alone is in force')
    expect(inForceWords({ from: 'trial', id: 'a', by: 'anna', left_s: 5230 })).toContain('88 min left')
  })
})
