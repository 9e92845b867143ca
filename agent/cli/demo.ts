import { once } from 'node:events'
import { mkdtempSync, readdirSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { bad, faultText, good, type Outcome } from '../terms/terms.js'
import { play } from './demo-play.js'
import { readFarEnd } from './demo-far-end.js'
import { daysText, messagesText, reasonsText, siteLogText, type ReportedStation } from './demo-report.js'
import type { Player } from './demo-scene.js'
import { screenOf } from './demo-screen.js'
import { folded, print, tableText, textWidth } from './demo-words.js'
import { compareEnds, isProven, type Proof } from './proof.js'

export interface DemoOptions {
  /** Folder for stores and archives; a temporary one that goes with the demo without. */
  readonly keep?: string
  /** Remove the temporary files at once, without waiting for Enter at a terminal. */
  readonly exit?: boolean
  readonly seed?: number
}

export const usualSeed = 20260302

const introduction =
  'INVENTED DATA. Three made stations around Slate Hollow, a quarry that does not exist, live through two days in ' +
  'virtual time. The code is the real one: bytes of made sensors go through decoding, screening, minutes and a store ' +
  'on this disk, and over MQTT to a collector with receipts.'

/** Two made days at three stations, with proof that the far end has everything. */
export async function demo(options: DemoOptions): Promise<number> {
  const folder = openKeepFolder(options.keep)
  if (!folder.ok) return fail(faultText(folder.fault))
  const remove = (): void => {
    if (options.keep === undefined) rmSync(folder.value, { recursive: true, force: true })
  }
  process.once('exit', remove)
  for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => process.exit(130))
  print(folded(introduction, textWidth) + '\n')
  const screen = screenOf(process.stdout)
  const played = await play({ folder: folder.value, seed: options.seed ?? usualSeed, audience: screen })
  screen.end()
  if (!played.ok) return fail(faultText(played.fault))
  const code = await report(played.value.players, folder.value)
  if (options.keep !== undefined) return code
  if (!options.exit && process.stdin.isTTY && process.stdout.isTTY) await untilEnter()
  else print('They were temporary and are removed now; --keep FOLDER keeps them.')
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

/** The files go with the demo: whoever is at the terminal may look into them first. */
async function untilEnter(): Promise<void> {
  print('Look into them from another terminal. Enter ends the demo and removes them.')
  process.stdin.resume()
  await Promise.race([once(process.stdin, 'data'), once(process.stdin, 'end')])
}

async function report(players: readonly Player[], folder: string): Promise<number> {
  const stations: ReportedStation[] = []
  const proofs: Proof[] = []
  for (const { made, folder: stationFolder, archiveFolder } of players) {
    const farEnd = await readFarEnd(archiveFolder)
    if (!farEnd.ok) return fail(faultText(farEnd.fault))
    const { name, place } = made.plan
    stations.push({ name, bearingDegrees: place.bearingDegrees, farEnd: farEnd.value })
    proofs.push(await compareEnds(stationFolder, archiveFolder))
  }
  const proven = proofs.every(isProven)
  const paragraphs = [
    ['What a phone would have got (local time, newest last):', ...messagesText(stations)],
    ['Site log:', ...siteLogText(stations)],
    [folded(daysNote, textWidth), ...daysText(stations)],
    reasonsText(stations, 'excluded'),
    reasonsText(stations, 'marked'),
    ['Store of each station against the archive, by number and text:', ...proofText(players, proofs)],
    [proven ? 'Proof: the far end has every line exactly once.' : 'NOT PROVEN: see the figures above.'],
    [
      `Files (invented data): ${folder}`,
      '  a folder for each station, and archive/ with what the collector got',
    ],
  ]
  print(paragraphs.map((lines) => lines.join('\n')).join('\n\n'))
  return proven ? 0 : 1
}

const daysNote =
  'Day means of the hours with at least 45 min used, uncorrected. Data capture: used of planned time; sampled share: ' +
  'used of 24 h, both of PM10; ≥: at least, since readings over 500 µg/m³ count as 500.'

function proofText(players: readonly Player[], proofs: readonly Proof[]): string[] {
  const heading = ['station', 'lines', 'missing', 'changed', 'too many', 'frames sent', 'spoilt']
  const rows = players.map(({ made, sensor }, i) => {
    const { stored, missing, changed, extra } = proofs[i]
    const numbers = [stored, missing, changed, extra, sensor.readingsMade, sensor.readingsSpoilt]
    return [made.plan.name, ...numbers.map(String)]
  })
  return tableText([heading, ...rows], 1)
}
