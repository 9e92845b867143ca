import { openFolder } from '../hardware/disk.js'
import { SystemClock } from '../hardware/clock.js'
import { socketPathFault } from '../hardware/control-socket.js'
import { shownSettingsText, type Settings } from '../settings/settings.js'
import { bad, done, faultText, type Fault, type Outcome } from '../terms/terms.js'
import { tryDelivery } from './check-delivery.js'
import { tryGauges } from './check-gauges.js'
import { checkPowerSettings, tryWake } from './check-power.js'
import { lineOf } from './compose.js'
import { brokerOf } from './compose-uplink.js'
import { controlPath } from './control.js'
import { hasItsCommands } from './instrument-commands.js'
import { loadLayout } from './layouts.js'
import { askStation } from './reach-station.js'
import { readSettingsFile } from './read-settings.js'

/** Less lasts for some weeks of records only. */
const leastFreeBytes = 100e6

export interface CheckItem {
  readonly what: string
  readonly well: boolean
  readonly words: string
}

export interface CheckOptions {
  readonly json?: boolean
  readonly effective?: boolean
  /** Ends the board, to see whether it wakes. */
  readonly tryWake?: boolean
}

/**
 * Tries everything a settings file names, without changing anything but making the data folder.
 * @returns exit code: 0 all well, 1 something found, 2 settings that cannot be used
 */
export async function check(file: string, options: CheckOptions): Promise<number> {
  const read = readSettingsFile(file)
  if (!read.ok) {
    if (options.json) print(JSON.stringify({ settings: read.lines, items: [] }))
    else for (const line of read.lines) print(line)
    return 2
  }
  if (options.tryWake) return tryWake(read.settings)
  const items = await lookAtAll(read.settings)
  if (options.json) print(JSON.stringify({ settings: [], notes: read.notes, items }))
  else {
    print(`settings  well: ${file}`)
    for (const note of read.notes) print(`  note    ${note}`)
    for (const item of items) print(`${item.what.padEnd(9)} ${item.well ? 'well' : 'LOOK'}: ${item.words}`)
    if (options.effective) print('\n' + shownSettingsText(read.settings))
  }
  return items.every((item) => item.well) ? 0 : 1
}

const print = (line: string): void => void process.stdout.write(line + '\n')

async function lookAtAll(settings: Settings): Promise<CheckItem[]> {
  const running = await askStation(settings, { do: 'status' })
  const items: CheckItem[] = [lookAtAgent(settings, running)]
  for (const instrument of settings.instruments) items.push(await lookAtSensor(instrument, running.ok))
  items.push(
    ...(await tryGauges(settings, running.ok)),
    await tryFolder(settings.data),
    lookAtClock(settings),
  )
  items.push(...(await checkPowerSettings(settings)))
  items.push(...(await tryDelivery(settings, running.ok)))
  if (settings.uplink.mode === 'none')
    items.push({ what: 'broker', well: true, words: 'none is set; everything is kept here' })
  else items.push(item('broker', `${settings.uplink.url} lets us in`, await tryBroker(settings)))
  return items
}

const item = (what: string, words: string, outcome: Outcome<unknown>): CheckItem =>
  outcome.ok ? { what, well: true, words } : { what, well: false, words: faultText(outcome.fault) }

/** A check before the first start is no trouble; a socket that could never be made is. */
function lookAtAgent(settings: Settings, running: Outcome<unknown>): CheckItem {
  const what = 'agent'
  const path = controlPath(settings)
  if (running.ok) return { what, well: true, words: `runs and answers on ${path}` }
  const tooLong = socketPathFault(path)
  if (tooLong) return item(what, '', { ok: false, fault: tooLong })
  if (running.fault.code !== 'agent-not-running') return item(what, '', running)
  return { what, well: true, words: `none runs with these settings (${running.fault.detail})` }
}

async function lookAtSensor(
  instrument: Settings['instruments'][number],
  agentRuns: boolean,
): Promise<CheckItem> {
  const tried = await tryPort(instrument)
  if (!tried.ok && tried.fault.code === 'port-busy' && agentRuns)
    return {
      what: 'sensor',
      well: true,
      words: `${instrument.port} is read by the running agent; see motepost status`,
    }
  return item('sensor', `${instrument.port} can be opened (${instrument.layout})`, tried)
}

async function tryPort(instrument: Settings['instruments'][number]): Promise<Outcome<void>> {
  const layout = loadLayout(instrument.layout)
  if (!layout.ok) return layout
  const able = hasItsCommands(instrument, layout.value)
  if (!able.ok) return able
  const notes: Fault[] = []
  const opened = await lineOf(instrument, layout.value, (fault) => notes.push(fault)).open()
  if (!opened.ok) return opened
  await opened.value.close()
  return done
}

async function tryFolder({ folder, mustBeMounted }: Settings['data']): Promise<CheckItem> {
  const disk = await openFolder(folder, { create: true, mustBeMounted })
  if (!disk.ok) return item('data', '', disk)
  const free = await disk.value.freeBytes()
  const made = await disk.value.makeFolder('.writable')
  if (!made.ok) return item('data', '', made)
  await disk.value.remove('.writable')
  if (!free.ok) return item('data', '', free)
  if (free.value < leastFreeBytes)
    return item('data', '', bad('disk-full', `${folder} has ${(free.value / 1e6).toFixed(0)} MB free`))
  return {
    what: 'data',
    well: true,
    words: `${folder} can be written, ${(free.value / 1e9).toFixed(1)} GB free`,
  }
}

function lookAtClock(settings: Settings): CheckItem {
  const { at, source, errorSeconds } = new SystemClock(settings.clock.trust, settings.clock.ntpFile).utc()
  const time = new Date(at).toISOString().slice(0, 19) + 'Z'
  if (source !== undefined)
    return { what: 'clock', well: true, words: `${time}, by ${source}, within ${errorSeconds} s` }
  return item('clock', '', bad('clock-untrusted', `it reads ${time}, clock.trust is ${settings.clock.trust}`))
}

async function tryBroker(settings: Settings): Promise<Outcome<void>> {
  if (settings.uplink.mode === 'none') return done
  // Another name than the station's: a running station must not be thrown out by the check.
  const { name, group } = settings.station
  const broker = brokerOf(settings.uplink, `${settings.uplink.clientId ?? `motepost-${group}-${name}`}-check`)
  if (!broker.ok) return broker
  const session = await broker.value.connect({
    subscribe: [],
    events: { onMessage: () => undefined, onLost: () => undefined },
  })
  if (!session.ok) return session
  await session.value.end()
  return done
}
