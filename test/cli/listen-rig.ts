import { mkdtempSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { listen, type ListenOptions, type ListenWorld } from '../../agent/cli/listen.js'
import type { Facts } from '../../agent/cli/listen-facts.js'
import { recordingLine } from '../../agent/hardware/recording-line.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { addSeconds, utcMillis } from '../../agent/terms/terms.js'

/** Virtual time in which every wait is over at once. */
export class EagerClock extends VirtualClock {
  constructor() {
    super({ bootId: 'test', mono: 1000, utc: utcMillis(Date.UTC(2026, 2, 1)), source: 'system' })
  }

  override after(seconds: number): Promise<void> {
    this.set(addSeconds(this.mono(), seconds))
    return Promise.resolve()
  }
}

export interface Told {
  readonly code: number
  readonly text: string
}

/** A board that says nothing of itself, so that tests do not depend on the one they run on. */
const plainBoard: ListenWorld['viewBoard'] = (port) => ({ device: port, isConsole: false, others: [] })

/** Runs the command and keeps what it prints. */
export async function told(
  port: string,
  options: ListenOptions = {},
  world: Partial<ListenWorld> = {},
): Promise<Told> {
  let text = ''
  const print = (more: string): void => {
    text += more
  }
  const code = await listen(port, options, { viewBoard: plainBoard, print, ...world })
  return { code, text }
}

export async function factsOf(
  port: string,
  options: ListenOptions = {},
  world: Partial<ListenWorld> = {},
): Promise<Facts & { code: number }> {
  const { code, text } = await told(port, { ...options, json: true }, world)
  return { ...(JSON.parse(text) as Facts), code }
}

/** A port in virtual time at which each speed plays its own bytes; a speed without bytes is silent. */
export function portOf(bytesAt: (baud: number) => Uint8Array | undefined): {
  clock: EagerClock
  speeds: number[]
  world: Partial<ListenWorld>
} {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-listen-'))
  const clock = new EagerClock()
  const speeds: number[] = []
  const lineAt: ListenWorld['lineAt'] = (_port, baud) => {
    const file = join(folder, `${baud}.bin`)
    speeds.push(baud!)
    writeFileSync(file, bytesAt(baud!) ?? new Uint8Array(0))
    return recordingLine(file, 64)
  }
  return { clock, speeds, world: { clock, lineAt } }
}
