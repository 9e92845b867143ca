import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { tmpdir } from 'node:os'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { composeGauges, textGaugeOptions, type ComposedGauges } from '../../agent/cli/compose-gauges.js'
import { loadGaugeLayout } from '../../agent/cli/gauge-layouts.js'
import { TextGauge } from '../../agent/hardware/text-gauge.js'
import type { Settings, TextLayout } from '../../agent/settings/settings.js'
import { done, good, type ByteLine, type Gauge } from '../../agent/terms/terms.js'
import { describeWith } from '../support/real-parts.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'

const layout = ((): TextLayout => {
  const loaded = loadGaugeLayout('example-text-lines')
  if (!loaded.ok || loaded.value.kind !== 'text') throw new Error('no layout of text lines')
  return loaded.value
})()

const said = async (gauge: Gauge): Promise<Record<string, number | string>> =>
  Object.fromEntries(
    (await gauge.read()).map(({ channel, value }) => [channel, value.ok ? value.value : value.fault.code]),
  )

const composed = (port: string): ComposedGauges =>
  composeGauges({ gauges: [{ kind: 'text', port, layout: 'x' }] } as unknown as Settings, [layout])

describeWith(['socat'], 'a gauge of text lines on a real pseudo-terminal', () => {
  let pty: PtyPair
  let gauges: ComposedGauges
  beforeEach(async () => {
    pty = await startPtyPair()
    gauges = composed(pty.sensor)
  })
  afterEach(async () => {
    await gauges.close()
    await pty.end()
  })

  it('gives the newest whole line by its layout, and skips the half one after the opening', async () => {
    const [{ gauge }] = gauges.gauges
    const first = gauge.read()
    const feeding = setInterval(() => pty.feed(Buffer.from('9;I=-0.40\r\nV=12.81;I=-0.32\r\n')), 20)
    expect(await said({ name: '', read: () => first })).toEqual({
      battery_voltage: 12.81,
      battery_current: -0.32,
    })
    clearInterval(feeding)
  })

  it('says that its port is gone, and reads again once it is back', async () => {
    const [{ gauge }] = gauges.gauges
    await gauge.read()
    await pty.unplug()
    expect(await said(gauge)).toEqual({ battery_voltage: 'port-gone', battery_current: 'port-gone' })
    expect((await said(gauge)).battery_voltage).toBe('port-missing')
  })
})

/** A line that gives what is put on it. */
class PutLine implements ByteLine {
  readonly waiting: Buffer[] = []
  put = (text: string): void => void this.waiting.push(Buffer.from(text))
  readAvailable = (): Uint8Array | 'nothing' => this.waiting.shift() ?? 'nothing'
  write = () => Promise.resolve(done)
  close = () => Promise.resolve()
}

describe('a gauge of text lines', () => {
  let line: PutLine
  let now: number
  let gauge: TextGauge
  beforeEach(() => {
    line = new PutLine()
    now = 1000
    const put = { name: 'put', open: () => Promise.resolve(good<ByteLine>(line)) }
    gauge = new TextGauge({ ...textGaugeOptions(layout), line: put, listenSeconds: 0 }, () => now)
  })

  it('says nothing before a line was due, then that none came, and what came instead', async () => {
    expect(await gauge.read()).toEqual([])
    now += 60
    expect(await said(gauge)).toEqual({ battery_voltage: 'gauge-missing', battery_current: 'gauge-missing' })
    line.put('?%$\n'.repeat(10))
    const [{ value }] = await gauge.read()
    expect(!value.ok && value.fault.detail).toContain('though 40 bytes came (baud rate, pattern?)')
  })

  it('keeps a value until two lines should have come, not longer', async () => {
    line.put('\nV=13.00;I=1.00\n')
    expect((await said(gauge)).battery_voltage).toBe(13)
    now += 15
    expect((await said(gauge)).battery_voltage).toBe(13)
    now += 10
    expect((await said(gauge)).battery_voltage).toBe('gauge-missing')
    line.put('V=12.90;I=1.00\n')
    expect((await said(gauge)).battery_voltage).toBe(12.9)
  })

  it('throws away what waited beyond what the kernel keeps: it is old, and torn somewhere', async () => {
    line.put('\n')
    await gauge.read()
    line.put('V=11.00;I=-9.00\n'.repeat(256).slice(0, 4095))
    expect(await gauge.read()).toEqual([])
    line.put('0\nV=12.50;I=0.10\n')
    expect(await said(gauge)).toEqual({ battery_voltage: 12.5, battery_current: 0.1 })
  })

  it('plays a recording by the minute', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'motepost-text-'))
    const file = join(folder, 'lines.txt')
    writeFileSync(file, 'V=1\n' + 'V=12.00;I=0.10\n'.repeat(30) + 'V=12.70;I=0.20\n'.repeat(200))
    const played = composed(`file:${file}`).gauges[0].gauge
    expect((await said(played)).battery_voltage).toBe(12)
    expect((await said(played)).battery_voltage).toBe(12.7)
    rmSync(folder, { recursive: true })
  })
})
