import { once } from 'node:events'
import { mkdtempSync, readdirSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { bad, faultText, good, type Outcome } from '../terms/terms.js'
import { play } from './demo-play.js'
import { readFarEnd } from './demo-far-end.js'
import { daysText, messagesText, reasonsText, type ReportedStation } from './demo-report.js'
import type { Player } from './demo-scene.js'
import { screenOf } from './demo-screen.js'
import { print } from './demo-words.js'
import { compareEnds, isProven, type Proof } from './proof.js'

export interface DemoOptions {
  /** Folder for stores and archives; a temporary one that goes with the demo without. */
  readonly keep?: string
  /** Do not wait for a key at a terminal. */
  readonly exit?: boolean
  readonly seed?: number
}

export const usualSeed = 20260302

const introduction = [
  'INVENTED DATA. Three made stations around Slate Hollow, a quarry that does not exist, live through two',
  'days in virtual time. The code is the real one: bytes of made sensors go through decoding, screening,',
  'minutes and a store on this disk, and over MQTT to a collector with receipts.',
]

/** Two made days at three stations, with proof that the far end has everything. */
export async function demo(options: DemoOptions): Promise<number> {
  const folder = openKeepFolder(options.keep)
  if (!folder.ok) return fail(faultText(folder.fault))
  const remove = (): void => {
    if (options.keep === undefined) rmSync(folder.value, { recursive: true, force: true })
  }
  process.once('exit', remove)
  for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => process.exit(130))
  for (const line of introduction) print(line)
  print('')
  const screen = screenOf(process.stdout)
  const played = await play({ folder: folder.value, seed: options.seed ?? usualSeed, audience: screen })
  screen.end()
  if (!played.ok) return fail(faultText(played.fault))
  const code = await report(played.value.players, folder.value)
  if (!options.exit && process.stdin.isTTY && process.stdout.isTTY) await untilEnter(options.keep)
  else if (options.keep === undefined)
    print('They were temporary and are removed now; --keep FOLDER keeps them.')
  return code
}

function fail(words: string): number {
  process.stderr.write(words + '\n')
  return 1
}

/** The folder must be new or empty: a store of another story in it would be continued. */
function openKeepFolder(keep: string | undefined): Outcome<string> {
  if (keep === undefined) return good(mkdtempSync(join(tmpdir(), 'motepost-demo-')))
  try {
    if (readdirSync(keep).length > 0) return bad('store-foreign', `${keep} is not empty`)
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    if (code === 'ENOTDIR') return bad('disk-not-folder', keep)
    if (code !== 'ENOENT') return bad('disk-denied', keep)
  }
  return good(keep)
}

async function untilEnter(keep: string | undefined): Promise<void> {
  print(
    `Look into them with another terminal. Enter ends the demo${keep === undefined ? ' and removes them' : ''}.`,
  )
  process.stdin.resume()
  await once(process.stdin, 'data')
  process.stdin.pause()
}

async function report(players: readonly Player[], folder: string): Promise<number> {
  const stations: ReportedStation[] = []
  let proven = true
  const proofs: string[] = []
  for (const player of players) {
    const { name } = player.made.plan
    const farEnd = await readFarEnd(player.archiveFolder)
    if (!farEnd.ok) return fail(faultText(farEnd.fault))
    stations.push({ name, farEnd: farEnd.value })
    const proof = await compareEnds(player.folder, player.archiveFolder)
    proven &&= isProven(proof)
    proofs.push(proofText(name, proof, player))
  }
  const paragraphs = [
    ['What a phone would have got (local time):', ...messagesText(stations)],
    [
      'Day means, uncorrected (data capture = used / planned time, sampled share = used / 24 h;',
      '≥ at least: readings over 500 µg/m³ count as 500):',
      ...daysText(stations),
    ],
    reasonsText(stations, 'excluded'),
    reasonsText(stations, 'marked'),
    ['Store of each station and archive of the collector, compared by number and text:', ...proofs],
    [proven ? 'Proof: the far end has every line exactly once.' : 'NOT PROVEN: see the figures above.'],
    [`Files: ${folder} (a folder for each station, and archive/)`],
  ]
  print(paragraphs.map((lines) => lines.join('\n')).join('\n\n'))
  return proven ? 0 : 1
}

function proofText(name: string, { stored, missing, changed, extra }: Proof, { sensor }: Player): string {
  return (
    `  ${name.padEnd(12)} ${stored} lines: ${missing} missing, ${changed} changed, ${extra} too many` +
    ` (sensor: ${sensor.readingsMade} frames sent, ${sensor.readingsSpoilt} spoilt)`
  )
}
