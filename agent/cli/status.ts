import type { StationStatus } from '../station/station.js'
import type { Outcome } from '../terms/terms.js'
import { askStation, reachStation, refusalText, type Reached } from './reach-station.js'
import { statusLines } from './status-words.js'

export interface StatusOptions {
  readonly watch?: boolean
  readonly json?: boolean
  readonly every?: number
}

const usualEverySeconds = 2

/**
 * Shows how the running station is, over its control socket: no network, nothing read from the card.
 * @returns exit code: 0 told, 1 no station answers, 2 settings that cannot be used
 */
export async function status(file: string, options: StatusOptions): Promise<number> {
  const reached = reachStation(file)
  if (!reached) return 2
  if (options.watch) return watch(reached, options)
  const asked = await askStation(reached.settings, { do: 'status' })
  print(shown(reached, asked, options))
  return refusalText(asked) === undefined ? 0 : 1
}

const print = (lines: readonly string[]): void => void process.stdout.write(lines.join('\n') + '\n')

function shown(reached: Reached, asked: Outcome<unknown>, { json }: StatusOptions): string[] {
  const refused = refusalText(asked)
  if (json) return [JSON.stringify(asked.ok ? asked.value : { ok: false, fault: asked.fault })]
  if (refused !== undefined) return [refused]
  const { status: told } = (asked as { value: { status: StationStatus } }).value
  return statusLines(told, reached)
}

/** Again and again until Ctrl-C: in place on a terminal, one after the other in a pipe. */
async function watch(reached: Reached, options: StatusOptions): Promise<number> {
  const { stdout } = process
  const screen = stdout.isTTY && !options.json
  const ended = new AbortController()
  for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => ended.abort())
  // Who reads the pipe has gone: nobody is left to tell.
  stdout.on('error', () => ended.abort())
  if (screen) stdout.write('\x1b[?25l\x1b[2J')
  while (!ended.signal.aborted) {
    const lines = shown(reached, await askStation(reached.settings, { do: 'status' }), options)
    if (ended.signal.aborted) break
    if (screen) stdout.write(onScreen(lines, stdout.rows, stdout.columns))
    else print(options.json ? lines : [...lines, ''])
    await pause(options.every ?? usualEverySeconds, ended.signal)
  }
  if (screen) stdout.write('\x1b[?25h\n')
  return 0
}

/** Writes over what stood there; what does not fit is said to be missing. */
export function onScreen(lines: readonly string[], rows = 24, columns = 80): string {
  const room = rows - 1
  const fit =
    lines.length <= room
      ? lines
      : [...lines.slice(0, room - 1), `… ${lines.length - room + 1} more lines: a taller window shows them`]
  return '\x1b[H' + fit.map((line) => line.slice(0, columns) + '\x1b[K\n').join('') + '\x1b[J'
}

function pause(seconds: number, until: AbortSignal): Promise<void> {
  return new Promise((resolve) => {
    const timer = setTimeout(resolve, seconds * 1000)
    until.addEventListener('abort', () => {
      clearTimeout(timer)
      resolve()
    })
  })
}
