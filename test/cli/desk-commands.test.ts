import { spawnSync } from 'node:child_process'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { figureKinds } from '../../agent/cli/figure-kinds.js'
import { midnight, minutes, newFolder, removeFolders, storeOf } from './desk-rig.js'

afterAll(removeFolders)

const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const motepost = (...args: string[]) => spawnSync(process.execPath, [program, ...args], { encoding: 'utf8' })

describe('the program at the desk', () => {
  it('has its commands under a heading of their own', () => {
    const { stdout } = motepost('--help')
    const desk = stdout.split('At the desk\n')[1].split(/\n\n/)[0]
    for (const command of ['averages', 'explain', 'episodes', 'export', 'trace', 'verify'])
      expect(desk).toContain(`  ${command} `)
    for (const command of ['import', 'collocate', 'before-after'])
      expect(desk).toMatch(new RegExp(`^ {2}${command} `, 'm'))
  })

  it('names in its help each figure that explain knows', () => {
    const { stdout, status } = motepost('explain', '--help')
    expect(status).toBe(0)
    const figures = stdout.split('Figures:\n')[1]
    for (const kind of [...Object.keys(figureKinds), 'change', 'again'])
      expect(figures).toMatch(new RegExp(`^ {2}${kind} +\\S`, 'm'))
  })

  it('says in its help by what episodes are found and what it puts beside them', () => {
    const { stdout, status } = motepost('episodes', '--help')
    expect(status).toBe(0)
    for (const option of [
      '--above',
      '--percentile',
      '--limit',
      '--gap',
      '--least',
      '--events',
      '--csv',
      '--detail',
    ])
      expect(stdout).toContain(`  ${option} `)
    expect(stdout).toMatch(/hours above this percentile of the hours of the span\s+\[95\]/)
  })

  it('explains a figure and finds episodes as they are typed, and refuses what is no figure', async () => {
    const store = await storeOf(minutes(midnight, 240, 50))
    const where = ['--store', store, '--zone', '+01:00']
    const explained = motepost('explain', 'hour', '2026-03-03 01:00', ...where, '--channel', 'pm2_5')
    expect(explained).toMatchObject({ status: 0, stderr: '' })
    expect(explained.stdout).toContain('hour from 2026-03-03 01:00: 50.00 µg/m³')
    const episodes = motepost('episodes', ...where, '--above', '40')
    expect(episodes).toMatchObject({ status: 0, stderr: '' })
    expect(episodes.stdout).toContain('1 episode above 40.00')
    expect(motepost('explain', 'week', '2026-03-03', ...where)).toMatchObject({ status: 2, stdout: '' })
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
