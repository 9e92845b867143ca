/** The commands at the desk on the store of a station that is writing: the built program, a pty in place of the sensor. */
import { spawnSync } from 'node:child_process'
import { afterEach, expect, it } from 'vitest'
import { FieldRig, program } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'

let rig: FieldRig
const motepost = (...args: string[]) =>
  spawnSync(process.execPath, [program, ...args, '--settings', rig.settingsFile], { encoding: 'utf8' })

describeWith(['socat'], 'the desk beside a running station [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it('reads what is there, finds nothing wrong, and disturbs nobody', async () => {
    rig = await FieldRig.make()
    rig.start()
    rig.feedFrames(200, () => 21)
    await rig.untilMeasured('from the made sensor', 0, 4)
    const before = rig.records

    const exported = motepost('export', '--channel', 'pm2_5')
    expect(exported).toMatchObject({ status: 0, stderr: '' })
    const rows = exported.stdout.split('\r\n').slice(1, -1)
    for (const [i, { seq, values }] of before.entries()) {
      const cells = rows[i].split(',')
      expect(cells[0]).toBe(String(seq))
      if (values['pm2_5:mean'] !== undefined)
        expect(rows[i]).toContain(`,${values['pm2_5:mean'].toFixed(2)},`)
    }
    expect(motepost('verify').stdout).toContain('No problem found')
    const measured = before.findLast(({ used }) => used > 0)!
    expect(motepost('trace', String(measured.seq)).stdout).toMatch(/pm2_5 21\.00 ug\/m3/)
    expect(motepost('averages', '--channel', 'pm2_5').stdout).toMatch(/ 21\.00 .* min only/)

    await rig.untilMeasured('after the desk has looked', rig.newestSeq, 2)
    expect(await rig.stop()).toBe(0)
    expect(motepost('verify')).toMatchObject({ status: 0 })
  }, 60_000)
})
