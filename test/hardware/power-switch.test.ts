import { mkdtempSync, readFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { commandSwitch } from '../../agent/hardware/power-switch.js'

const node = process.execPath

describe('the command that cycles a sensor', () => {
  it('gets its words as they stand, without a shell', async () => {
    const out = join(mkdtempSync(join(tmpdir(), 'motepost-power-')), 'words')
    const script = 'require("fs").writeFileSync(process.argv[1], process.argv.slice(2).join("|"))'
    const cycled = await commandSwitch([node, '-e', script, out, '$HOME;', 'two words'], 30).cycle()
    expect(cycled.ok).toBe(true)
    expect(readFileSync(out, 'utf8')).toBe('$HOME;|two words')
  })

  it('tells its exit code and the first line of its complaint', async () => {
    const script = 'console.error("no such hub\\nmore"); process.exit(3)'
    expect(await commandSwitch([node, '-e', script], 30).cycle()).toMatchObject({
      ok: false,
      fault: { code: 'power-cycle-failed', detail: `${node} ended with 3: no such hub` },
    })
  })

  it('does not repeat the words it was given, which may be a password, nor an address', async () => {
    const script = 'console.error(process.argv[1] + " at https://a.example.org/b: no"); process.exit(1)'
    const failed = await commandSwitch([node, '-e', script, 'Open.Sesame(1)'], 30).cycle()
    expect(failed.ok ? '' : failed.fault.detail).toBe(`${node} ended with 1: … at … no`)
  })

  it('is killed at its limit, and one that is not there is told', async () => {
    const hanging = await commandSwitch([node, '-e', 'setInterval(() => {}, 1000)'], 0.2).cycle()
    expect(hanging).toMatchObject({ ok: false, fault: { code: 'power-cycle-failed' } })
    expect(hanging.ok ? '' : hanging.fault.detail).toContain('did not end within 0.2 s')
    const missing = await commandSwitch(['/nowhere/at/all'], 30).cycle()
    expect(missing.ok ? '' : missing.fault.detail).toBe('/nowhere/at/all ENOENT')
  })
})
