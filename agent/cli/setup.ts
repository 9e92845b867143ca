import { existsSync, mkdirSync, writeFileSync } from 'node:fs'
import { hostname } from 'node:os'
import { dirname, resolve } from 'node:path'
import { bad, faultText, good, type Outcome } from '../terms/terms.js'
import { SystemClock } from '../hardware/clock.js'
import { knownLayouts, loadLayout } from './layouts.js'
import { viewBoard } from './listen-board.js'
import type { Facts } from './listen-facts.js'
import { hearPort, realWorld, untilInterrupted } from './listen.js'
import { checkSettingsText } from './read-settings.js'
import { setClockHint } from './set-clock.js'
import { askAtTerminal, type Ask } from './setup-ask.js'
import { findGauges, type FoundGauge } from './setup-gauges.js'
import { setupText, type FoundSensor, type SetupAnswers } from './setup-text.js'

export interface SetupOptions {
  readonly settings: string
  /** Write the file anew although it is there. */
  readonly force?: boolean
  /** Ask nothing. */
  readonly yes?: boolean
  readonly name?: string
  readonly group?: string
  readonly zone?: string
  /** Look only at these ports. */
  readonly port?: readonly string[]
  /** The sensor at the port, where it is not to be listened to. */
  readonly layout?: string
  readonly data?: string
  readonly broker?: string
  /** It runs from a battery or the sun. */
  readonly solar?: boolean
  /** Listen so long at each speed. */
  readonly seconds?: number
  /** Folder of the kernel's files. */
  readonly sys: string
}

/**
 * Writes a settings file from what can be found out and a few answers.
 * @returns exit code: 0 written, 1 something is missing, 2 wrong use
 */
export async function setup(options: SetupOptions): Promise<number> {
  const file = resolve(options.settings)
  const wrong = wrongUse(options, file)
  if (wrong !== undefined) return refuse(wrong, 2)
  const sensors = await findSensors(options)
  if (!sensors.ok) return refuse(faultText(sensors.fault), 2)
  if (sensors.value.length === 0) return refuse(nothingHeard(file), 1)
  const gauges = await findGauges(options.sys)
  for (const gauge of gauges)
    say(`gauge     ${gauge.kind} ${gauge.device}: ${gauge.channels.map(({ file: f }) => f).join(', ')}`)
  const { answers, solar } = await answersTo(options, sensors.value, gauges)
  const text = setupText(answers)
  const read = checkSettingsText(text, file)
  if (!read.ok) return refuse(read.lines.join('\n'), 2)
  const written = write(file, text, options.force === true)
  if (written !== undefined) return refuse(written, 1)
  say(lastWords(file))
  if (new SystemClock('auto').utc().source === undefined) say(clockWords)
  if (solar) say(cautions)
  return 0
}

const say = (words: string): void => void process.stdout.write(words + '\n')

function refuse(words: string, code: 1 | 2): number {
  process.stderr.write(words + '\n')
  return code
}

/** Found out before anything is listened to. */
function wrongUse({ force, layout, port, seconds }: SetupOptions, file: string): string | undefined {
  if (existsSync(file) && !force)
    return `${file} is there already. Name another file with --settings, or write it anew with --force.`
  if (layout !== undefined && port?.length !== 1) return '--layout says what is at one --port: give both.'
  if (seconds !== undefined && !(seconds > 0 && seconds <= 3600))
    return '--seconds must be above 0 and at most 3600.'
  return undefined
}

async function findSensors({ port: ports, layout, seconds }: SetupOptions): Promise<Outcome<FoundSensor[]>> {
  if (layout !== undefined) {
    const known = loadLayout(layout)
    return known.ok ? good([{ layout, port: ports![0], about: known.value.about }]) : known
  }
  const named = ports ?? viewBoard('').others
  if (named.length === 0) say('port      this board has no serial port')
  const interrupted = untilInterrupted()
  const found: FoundSensor[] = []
  try {
    for (const port of named) {
      if (interrupted.signal.aborted) return bad('settings-missing', 'stopped, and nothing written')
      const sensor = await sensorAt(port, seconds, interrupted.signal)
      if (sensor) found.push(sensor)
    }
  } finally {
    interrupted.release()
  }
  return good(found)
}

async function sensorAt(
  port: string,
  seconds: number | undefined,
  signal: AbortSignal,
): Promise<FoundSensor | undefined> {
  const board = viewBoard(port)
  if (board.isConsole) {
    say(`port      ${port}: the kernel's console; not listened to`)
    return undefined
  }
  const { facts } = await hearPort(port, { seconds }, knownLayouts(), realWorld(signal))
  say(`port      ${port}: ${heardWords(facts)}`)
  const best = facts.layouts[0]
  if (!facts.recognised || !best) return undefined
  const layout = loadLayout(best.name)
  const own = layout.ok ? layout.value.baud : undefined
  return {
    layout: best.name,
    port: board.stableName ?? port,
    about: best.about,
    ...(facts.baud === undefined || facts.baud === own ? {} : { baud: facts.baud }),
  }
}

function heardWords({ recognised, layouts, fault, heard, causes }: Facts): string {
  if (recognised) return `${layouts[0].name} (${layouts[0].about}), ${layouts[0].sure}`
  if (fault) return fault.words
  return heard === 'nothing'
    ? `nothing speaks. ${causes[0] ?? ''}`.trim()
    : `no layout explains what comes (${heard}).`
}

const nothingHeard = (file: string): string => `No sensor was heard, so ${file} was not written. What to do:
  1. Connect the sensor and its 5 V supply, then run setup again.
  2. Hear what comes at one port: motepost listen PORT
  3. Or say what it is: motepost setup --port PORT --layout NAME (the names: config/instruments)`

async function answersTo(
  options: SetupOptions,
  sensors: readonly FoundSensor[],
  gauges: readonly FoundGauge[],
): Promise<{ answers: SetupAnswers; solar: boolean }> {
  const ask: Ask =
    options.yes || !process.stdin.isTTY || !process.stdout.isTTY ? (_, usual) => usual : askAtTerminal()
  const battery = gauges.some(({ kind }) => kind === 'power_supply')
  const name = options.name ?? (await ask('Name of this station', suggestedName()))
  const broker = options.broker ?? (await ask('Broker, as mqtts://host:port, or none', 'none'))
  const solar =
    options.solar ??
    (battery || /^y/i.test(await ask('Does it run from a battery or the sun? yes or no', 'no')))
  return {
    solar,
    answers: {
      name,
      group: options.group,
      zone: options.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone,
      dataFolder: resolve(options.data ?? '/var/lib/motepost'),
      broker: broker === 'none' ? undefined : broker,
      sensors,
      gauges,
      sys: options.sys,
    },
  }
}

/** The board's own name, as far as a station may be called so. */
function suggestedName(): string {
  const name = hostname()
    .toLowerCase()
    .replaceAll(/[^a-z0-9]+/g, '-')
    .replaceAll(/^-+|-+$/g, '')
    .slice(0, 32)
  return name === '' || name === 'localhost' ? 'station-1' : name
}

/** What hindered it, or nothing. */
function write(file: string, text: string, force: boolean): string | undefined {
  try {
    mkdirSync(dirname(file), { recursive: true })
    writeFileSync(file, text, { flag: force ? 'w' : 'wx', mode: 0o644 })
    return undefined
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    const why =
      code === 'EACCES' || code === 'EROFS'
        ? 'no permission to write there; name another with --settings'
        : (code ?? 'cannot be written')
    return `${file}: ${why}`
  }
}

const lastWords = (file: string): string => `
Written: ${file}
Read it through; each line says what it means. Then:
  motepost check --settings ${file}     tries port, data folder, clock and broker
  motepost run --settings ${file}       runs the station until it is stopped
systemd/README.md tells how it starts by itself at power-on.`

const clockWords = `
Nothing has set the clock of this board yet, and no battery keeps it. The station records from its first minute and
places it all in time later, when a network, a satellite receiver or a modem tells (clock in the settings), or you do:
  ${setClockHint}`

/** Common practice and the law of the place; not a substitute for either. */
const cautions = `
Before it goes outdoors, with battery and panel:
  - A fuse at the battery, close to its plus pole.
  - Lithium cells are not charged below freezing unless they are rated for it.
  - A mount that holds in a storm; care at heights.
  - The local electrical code holds; where it asks for a licensed electrician, call one.
Sensors of this class are indicative, not regulatory, and no basis for medical decisions.`
