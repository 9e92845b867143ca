/**
 * `motepost status --bundle`: one file for somebody who helps from afar, plain JSON that anybody can read before it is sent. Made by
 * allow-list, whether the agent runs or not and whatever is wrong with the settings.
 */
import { closeSync, openSync, rmSync, writeSync } from 'node:fs'
import { agentFacts } from './bundle-agent.js'
import { diskFacts, machineFacts, namedFacts } from './bundle-machine.js'
import { settingsFacts } from './bundle-settings.js'
import { storeFacts } from './bundle-store.js'
import { folded, textWidth } from './plain-text.js'

export interface BundleOptions {
  /** true: named by station and time, in the folder where one stands. */
  readonly bundle: string | true
  readonly json?: boolean
}

/** Of each part of the bundle. */
const parts = {
  program: 'versions of program, Node and system; class, memory and load of the board',
  settings: 'the settings, and what is wrong with their file, by line and key',
  named: 'whether the ports and files that they name are there and can be read',
  agent:
    'what the running agent says of itself: state, faults, newest values, counts, link, its newest log entries',
  store: 'names and sizes of the files in the data folder, what verify finds, and the newest events',
} as const

const leftOut =
  'passwords, PINs and keys; telephone numbers, mail addresses and URLs; users, and hosts of broker and mail server; commands; who gave a permission; notes of the site log; exact places (0.01 degree is left); the name of this machine'

/** Exit codes: 0 written, 1 it cannot be written, 2 wrong use. */
export async function writeBundle(settingsFile: string, options: BundleOptions): Promise<number> {
  const made = await bundleOf(settingsFile)
  const path = options.bundle === true ? usualName(made.station, made.at) : options.bundle
  const text = JSON.stringify(made.bundle, undefined, 1) + '\n'
  const wrong = writeNew(path, text)
  if (wrong) return told(wrong.words, wrong.code)
  const bytes = Buffer.byteLength(text)
  process.stdout.write(options.json ? JSON.stringify({ v: 1, file: path, bytes }) + '\n' : words(path, bytes))
  return 0
}

function told(text: string, code: 1 | 2): number {
  process.stderr.write(text + '\n')
  return code
}

interface Made {
  readonly station: string
  /** UTC text. */
  readonly at: string
  readonly bundle: Record<string, unknown>
}

async function bundleOf(settingsFile: string): Promise<Made> {
  const at = new Date().toISOString().slice(0, 19) + 'Z'
  const { settings, dataFolder, facts } = await settingsFacts(settingsFile)
  const bundle = {
    motepost_bundle: 1,
    made: at,
    ...(settings ? { station: settings.station.name, group: settings.station.group } : {}),
    parts,
    left_out: leftOut,
    program: machineFacts(),
    settings: facts,
    named: settings ? namedFacts(settings) : {},
    agent: settings ? await agentFacts(settings) : { runs: 'not known: no settings say where to ask' },
    disk: dataFolder === undefined ? {} : diskFacts(dataFolder),
    store: dataFolder === undefined ? {} : await storeFacts(dataFolder),
  }
  return { station: settings?.station.name ?? 'station', at, bundle }
}

const usualName = (station: string, at: string): string =>
  `motepost-${station}-${at.replace(/[-:]/g, '')}.json`

interface Wrong {
  readonly code: 1 | 2
  readonly words: string
}

/** For the eyes of its owner only; a file that is there stays as it is. */
function writeNew(path: string, text: string): Wrong | undefined {
  let fd: number
  try {
    fd = openSync(path, 'wx', 0o600)
  } catch (error) {
    return notMade(path, (error as NodeJS.ErrnoException).code ?? '')
  }
  try {
    const bytes = Buffer.from(text)
    for (let at = 0; at < bytes.length;) at += writeSync(fd, bytes, at)
    return undefined
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    rmSync(path, { force: true })
    return {
      code: 1,
      words: `${path} could not be written to its end (${code}): free space, or name another place`,
    }
  } finally {
    closeSync(fd)
  }
}

function notMade(path: string, code: string): Wrong {
  if (code === 'EEXIST')
    return { code: 2, words: `${path} is there already: name another file, or remove it` }
  if (code === 'ENOENT' || code === 'ENOTDIR')
    return { code: 2, words: `${path}: there is no such folder; name a file in one that is there` }
  if (code === 'EISDIR' || path === '')
    return { code: 2, words: `'${path}' is no file: name a file that is to be made` }
  const advice = 'name a file where you may write, such as /tmp/bundle.json'
  return { code: 1, words: `${path} cannot be made (${code}): ${advice}` }
}

const words = (path: string, bytes: number): string =>
  [
    `Written: ${path} (${Math.ceil(bytes / 1000)} kB), for whoever helps you. Only you may read it.`,
    ...Object.values(parts).map((part) => folded(`  in it: ${part}`, textWidth, 9)),
    folded(`  not in it: ${leftOut}`, textWidth, 13),
    'It is plain text: read it through before you send it. Names that you gave yourself',
    'to station, rules, recipients and sensors are in it.',
    '',
  ].join('\n')
