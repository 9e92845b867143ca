import { spawnSync } from 'node:child_process'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { midnight, minutes, newFolder, removeFolders, storeOf } from './desk-rig.js'

afterAll(removeFolders)

const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const motepost = (...args: string[]) => spawnSync(process.execPath, [program, ...args], { encoding: 'utf8' })

describe('the program at the desk', () => {
  it('has its commands under a heading of their own', () => {
    const { stdout } = motepost('--help')
    const desk = stdout.split('At the desk\n')[1].split(/\n\n/)[0]
    for (const command of ['averages', 'export', 'trace', 'verify']) expect(desk).toContain(`  ${command} `)
  })

  it('ends with 0, 1 or 2, prints what was asked for on standard output and what is wrong beside it', async () => {
    const store = await storeOf(minutes(midnight, 3000, 5))
    expect(motepost('averages', '--store', store)).toMatchObject({ status: 0, stderr: '' })
    expect(motepost('verify', '--store', store)).toMatchObject({ status: 0, stderr: '' })
    expect(motepost('trace', '3001', '--store', store)).toMatchObject({ status: 1, stderr: '' })
    expect(motepost('trace', 'three', '--store', store)).toMatchObject({ status: 2, stdout: '' })
    expect(motepost('averages', '--store', newFolder())).toMatchObject({ status: 2, stdout: '' })
    const exported = motepost('export', '--store', store)
    expect(exported).toMatchObject({ status: 0, stderr: '' })
    expect(exported.stdout.split('\r\n')).toHaveLength(3002)
  })

  it('says how to name a folder where neither option nor settings do', () => {
    const { status, stderr } = motepost('verify', '--settings', join(newFolder(), 'none.yaml'))
    expect(status).toBe(2)
    expect(stderr).toContain('--store FOLDER')
  })

  it('is not upset by a reader that goes away', async () => {
    const store = await storeOf(minutes(midnight, 6000, 5))
    const piped = spawnSync(
      'sh',
      ['-c', `"$0" "$1" export --store "$2" | head -n 1; exit 0`, process.execPath, program, store],
      {
        encoding: 'utf8',
      },
    )
    expect(piped.stderr).toBe('')
    expect(piped.stdout).toMatch(/^number,/)
  })
})
