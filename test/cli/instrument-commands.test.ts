import { describe, expect, it } from 'vitest'
import { commandsOf, hasItsCommands } from '../../agent/cli/instrument-commands.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import { base, goodSettings } from '../settings/support.js'

const of = (layoutName: string, ...keys: string[]) => {
  const text = base
    .replace('frames-424d-32', layoutName)
    .replace('/dev/sensor', ['/dev/sensor', ...keys].join('\n    '))
  const layout = loadLayout(layoutName)
  if (!layout.ok) throw new Error(layout.fault.detail)
  const settings = goodSettings(text).instruments[0]
  return { able: hasItsCommands(settings, layout.value), commands: commandsOf(settings, layout.value) }
}
const hex = (bytes: Uint8Array | undefined): string | undefined => bytes && Buffer.from(bytes).toString('hex')

describe('the commands of an instrument', () => {
  it('wake a sensor that sends by itself and set it to send (seven-byte commands of the published layout)', () => {
    const { able, commands } = of('frames-424d-32')
    expect(able.ok).toBe(true)
    expect(hex(commands.wake)).toBe('424de400010174' + '424de100010171')
    expect(commands).toMatchObject({ ask: undefined, sleep: undefined, clean: undefined })
  })

  it('set it passive and ask for each reading where the settings say polled', () => {
    const { able, commands } = of('frames-424d-32', 'mode: polled', 'sleep_on_stop: true')
    expect(able.ok).toBe(true)
    expect(hex(commands.wake)).toBe('424de400010174' + '424de100000170')
    expect(hex(commands.ask)).toBe('424de200000171')
    expect(hex(commands.sleep)).toBe('424de400000173')
  })

  it('start and ask a sensor that always must be asked, and have it clean itself', () => {
    const { commands } = of('stuffed-7e-floats', 'clean_every_h: 168')
    expect(hex(commands.wake)).toBe('7e0000020103f97e')
    expect(hex(commands.ask)).toBe('7e000300fc7e')
    expect(commands.clean?.everySeconds).toBe(168 * 3600)
    expect(hex(commands.clean?.bytes)).toBe('7e005600a97e')
  })

  it.each([
    ['frames-424d-24', 'mode: polled', 'read'],
    ['stuffed-7e-floats', 'mode: active', 'active'],
    ['frames-424d-24', 'sleep_on_stop: true', 'sleep'],
    ['frames-424d-32', 'clean_every_h: 24', 'clean'],
  ])('of %s: %s is refused, since the layout has no command for it', (layout, key, command) => {
    const { able } = of(layout, key)
    expect(able).toMatchObject({ ok: false, fault: { code: 'layout-invalid' } })
    expect(able.ok ? '' : able.fault.detail).toContain(`'${command}'`)
  })
})
