import type { StationStatus } from '../station/station.js'
import type { Outcome } from '../terms/terms.js'
import { askStation, reachStation, refusalText, type Reached } from './reach-station.js'
import { statusLines } from './status-words.js'
import { watchScreen } from './watch-screen.js'

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

const watch = (reached: Reached, options: StatusOptions): Promise<number> =>
  watchScreen({
    everySeconds: options.every ?? usualEverySeconds,
    inPlace: !options.json,
    lines: async () => shown(reached, await askStation(reached.settings, { do: 'status' }), options),
  })
