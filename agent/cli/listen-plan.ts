import { command, type CommandName, type Layout } from '../instruments/instruments.js'

/** A command that may make a sensor speak. */
export interface Ask {
  readonly name: CommandName
  readonly bytes: Uint8Array
}

/** What is done at one speed of the line. */
export interface Trial {
  /** Absent where the line has no speed of its own (TCP, a recording). */
  readonly baud?: number
  /** How long it is listened to, and again after the commands. */
  readonly seconds: number
  /** Sent when nothing came by itself; empty: it is only listened to. */
  readonly asks: readonly Ask[]
}

export interface Plan {
  readonly layouts: readonly Layout[]
  readonly trials: readonly Trial[]
  /** Only where bytes came that no trial could read: other common speeds. */
  readonly further: readonly Trial[]
  /** A recording is wanted: a certain answer does not end the listening early. */
  readonly wholeTime: boolean
}

export interface PlanOptions {
  readonly kind: 'serial' | 'tcp' | 'file'
  readonly baud?: number
  readonly seconds?: number
  /** No command is sent: a recording takes none, and a console would take them for typing. */
  readonly quiet: boolean
  readonly wholeTime: boolean
}

/** Sensors that slow down in steady air still send every 2.3 s; this hears one at least. */
const leastSeconds = 4
const mostSeconds = 60
/** Speeds of small instruments besides those of the layouts: common practice, no source. */
const commonSpeeds = [19_200, 38_400, 57_600, 4800, 2400] as const
/** In this order: one that sleeps takes only wake, one that rests only start. */
const askOrder: readonly CommandName[] = ['wake', 'start', 'active', 'read']

/** What to try in which order: the speed that most layouts have first, each speed once. */
export function planOf(layouts: readonly Layout[], options: PlanOptions): Plan {
  const { kind, baud, quiet, wholeTime } = options
  const trial = (speed: number | undefined, at: readonly Layout[], asked = !quiet): Trial => ({
    ...(speed === undefined ? {} : { baud: speed }),
    seconds: options.seconds ?? secondsFor(at),
    asks: asked ? asksOf(at) : [],
  })
  if (kind !== 'serial' || baud !== undefined)
    return { layouts, trials: [trial(baud, layouts)], further: [], wholeTime }
  const speeds = speedsOf(layouts)
  return {
    layouts,
    trials: speeds.map((speed) =>
      trial(
        speed,
        layouts.filter((layout) => layout.baud === speed),
      ),
    ),
    further: commonSpeeds.filter((speed) => !speeds.includes(speed)).map((speed) => trial(speed, [], false)),
    wholeTime,
  }
}

function speedsOf(layouts: readonly Layout[]): number[] {
  const layoutsAt = (speed: number): number => layouts.filter((layout) => layout.baud === speed).length
  const speeds = [...new Set(layouts.map((layout) => layout.baud))]
  return speeds.sort((a, b) => layoutsAt(b) - layoutsAt(a) || a - b)
}

function secondsFor(layouts: readonly Layout[]): number {
  const slowest = Math.max(0, ...layouts.map((layout) => layout.periodSeconds))
  return Math.min(mostSeconds, Math.max(leastSeconds, 1.5 * slowest))
}

/** Relatives share commands, so equal bytes are sent once. */
export function asksOf(layouts: readonly Layout[]): Ask[] {
  const asks = new Map<string, Ask>()
  for (const name of askOrder)
    for (const layout of layouts) {
      const bytes = isOfUse(name, layout) ? command(layout, name) : undefined
      const key = bytes?.join()
      if (bytes && key !== undefined && !asks.has(key)) asks.set(key, { name, bytes })
    }
  return [...asks.values()]
}

/** One that can be told to send by itself is not asked for single readings. */
const isOfUse = (name: CommandName, layout: Layout): boolean =>
  name !== 'read' || layout.mode === 'polled' || layout.commands.active === undefined
