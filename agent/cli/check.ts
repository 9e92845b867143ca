import { SystemClock } from '../hardware/clock.js'
import { socketPathFault } from '../hardware/control-socket.js'
import { isCollectorSettings, shownSettingsText, type Settings } from '../settings/settings.js'
import { bad, done, faultText, type Fault, type Outcome } from '../terms/terms.js'
import { checkCollector } from './check-collector.js'
import { tryDelivery } from './check-delivery.js'
import { tryGauges } from './check-gauges.js'
import { item, tryFolder, type CheckItem } from './check-items.js'
import { checkPowerSettings, tryWake } from './check-power.js'
import { lookAtPushed } from './check-pushed.js'
import { lineOf } from './compose.js'
import { brokerOf } from './compose-uplink.js'
import { controlPath } from './control.js'
import { hasItsCommands } from './instrument-commands.js'
import { loadLayout } from './layouts.js'
import { prepareWithPushed } from './pushed-plan.js'
import { askStation } from './reach-station.js'
import { checkSettingsText } from './read-settings.js'
import { readTextFile } from './read-text.js'

export interface CheckOptions {
  readonly json?: boolean
  readonly effective?: boolean
  /** Ends the board, to see whether it wakes. */
  readonly tryWake?: boolean
}

/**
 * Tries everything a settings file, of a station or a collector, names, without changing anything but making the folder of records.
 * @returns exit code: 0 all well, 1 something found, 2 settings that cannot be used
 */
export async function check(file: string, options: CheckOptions): Promise<number> {
  const text = readTextFile(file)
  if (!text.ok) return tell(file, options, { ...nothing, wrong: [faultText(text.fault)] })
  if (isCollectorSettings(text.value)) {
    if (!options.tryWake) return tell(file, options, await checkCollector(text.value, file))
    process.stderr.write(`${file}: a collector ends no board: --try-wake is for the settings of a station\n`)
    return 2
  }
  const read = checkSettingsText(text.value, file)
  if (!read.ok) return tell(file, options, { ...nothing, wrong: read.lines })
  if (options.tryWake) return tryWake(read.settings)
  const prepared = await prepareWithPushed(file)
  // Where a layout is wrong the plan is that of earlier settings.
  const settings = prepared.wrong.length === 0 && prepared.plan ? prepared.plan.settings : read.settings
  const items = await lookAtAll(settings, (running) => lookAtPushed(read.settings, prepared, running))
  return tell(file, options, {
    ...{ wrong: [], notes: read.notes, items, effective: shownSettingsText(settings) },
  })
}

/** What came out of a check. */
export interface Checked {
  /** All that is wrong with the file, one line a fault; nothing else was looked at then. */
  readonly wrong: readonly string[]
  readonly notes: readonly string[]
  readonly items: readonly CheckItem[]
  /** The settings with every default, without whom they tell. */
  readonly effective: string
}

const nothing: Checked = { wrong: [], notes: [], items: [], effective: '' }

function tell(file: string, { json, effective }: CheckOptions, checked: Checked): number {
  const { wrong, notes, items } = checked
  if (json) print(JSON.stringify({ settings: wrong, ...(wrong.length > 0 ? {} : { notes }), items }))
  else if (wrong.length > 0) for (const line of wrong) print(line)
  else {
    print(`settings  well: ${file}`)
    for (const note of notes) print(`  note    ${note}`)
    for (const one of items) print(`${one.what.padEnd(9)} ${one.well ? 'well' : 'LOOK'}: ${one.words}`)
    if (effective) print('\n' + checked.effective)
  }
  if (wrong.length > 0) return 2
  return items.every(({ well }) => well) ? 0 : 1
}

const print = (line: string): void => void process.stdout.write(line + '\n')

async function lookAtAll(
  settings: Settings,
  fromAfar: (running: Outcome<unknown>) => CheckItem[],
): Promise<CheckItem[]> {
  const running = await askStation(settings, { do: 'status' })
  const items: CheckItem[] = [...fromAfar(running), lookAtAgent(settings, running)]
  for (const instrument of settings.instruments) items.push(await lookAtSensor(instrument, running.ok))
  items.push(
    ...(await tryGauges(settings, running.ok)),
    await tryFolder('data', settings.data.folder, settings.data.mustBeMounted),
    lookAtClock(settings),
  )
  items.push(...(await checkPowerSettings(settings)))
  items.push(...(await tryDelivery(settings, running.ok)))
  if (settings.uplink.mode === 'none')
    items.push({ what: 'broker', well: true, words: 'none is set; everything is kept here' })
  else items.push(await lookAtBroker(settings, running))
  return items
}

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

function lookAtClock(settings: Settings): CheckItem {
  const { at, source, errorSeconds } = new SystemClock(settings.clock.trust, settings.clock.ntpFile).utc()
  const time = new Date(at).toISOString().slice(0, 19) + 'Z'
  if (source !== undefined)
    return { what: 'clock', well: true, words: `${time}, by ${source}, within ${errorSeconds} s` }
  return item('clock', '', bad('clock-untrusted', `it reads ${time}, clock.trust is ${settings.clock.trust}`))
}

/** A broker that takes the user's name for the client's would put a running agent out for us: one that is connected is believed. */
async function lookAtBroker(settings: Settings, running: Outcome<unknown>): Promise<CheckItem> {
  const { url } = settings.uplink as { url: string }
  const { status } = Object(running.ok ? running.value : undefined) as {
    status?: { link?: { state?: unknown } }
  }
  return status?.link?.state === 'connected'
    ? { what: 'broker', well: true, words: `${url}: the running agent is connected` }
    : item('broker', `${url} lets us in`, await tryBroker(settings))
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
