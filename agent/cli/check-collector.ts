/** `check` of a collector's settings: what they say, and whether archive, broker, ways to people and database can be used. */
import { join } from 'node:path'
import { askControl } from '../hardware/control-socket.js'
import { lockFolder } from '../hardware/lock.js'
import { usualMqtt } from '../hardware/mqtt-broker.js'
import { shownCollectorText, type CollectorSettings } from '../settings/settings.js'
import { bad, good, type Outcome } from '../terms/terms.js'
import type { Checked } from './check.js'
import { tryDelivery } from './check-delivery.js'
import { item, tryFolder, type CheckItem } from './check-items.js'
import { ownFolder } from './collect-alerts.js'
import { collectorFaultText, socketIn } from './collector-words.js'
import { databaseOf } from './collect-postgres.js'
import { brokerOf } from './compose-uplink.js'
import { checkCollectorText } from './read-collector-settings.js'

/** Tries everything a collector's settings name, and changes nothing but making the folder of the archive. */
export async function checkCollector(text: string, file: string): Promise<Checked> {
  const read = checkCollectorText(text, file)
  if (!read.ok) return { wrong: read.lines, notes: [], items: [], effective: '' }
  const { settings, notes } = read
  return { wrong: [], notes, items: await lookAtAll(settings), effective: shownCollectorText(settings) }
}

async function lookAtAll(settings: CollectorSettings): Promise<CheckItem[]> {
  const archive = await tryFolder('archive', settings.archive)
  const link = archive.well ? await runningLink(settings.archive) : good(undefined)
  const isRunning = link.ok && link.value !== undefined
  return [
    groupItem(settings),
    archive,
    runningItem(settings.archive, link),
    await brokerItem(settings, link),
    ...(await toldItems(settings, isRunning)),
    ...(await databaseItems(settings)),
  ]
}

function groupItem({ group, lateAfterSeconds, silentAfterSeconds }: CollectorSettings): CheckItem {
  const words = `${group}: late after ${lateAfterSeconds / 60} min without a word, silent after ${silentAfterSeconds / 60} min`
  return { what: 'group', well: true, words }
}

/** How a collector that runs on this archive stands to its broker; undefined where none runs. */
async function runningLink(archive: string): Promise<Outcome<string | undefined>> {
  const asked = await askControl(socketIn(archive), { do: 'status' })
  if (asked.ok) return good(String((Object(asked.value) as { link?: unknown }).link))
  if (asked.fault.code !== 'agent-not-running') return asked
  const locked = await lockFolder(archive)
  if (!locked.ok)
    return bad('control-unavailable', `a collector holds ${archive}, but not ${socketIn(archive)}`)
  locked.value.release()
  return good(undefined)
}

function runningItem(archive: string, link: Outcome<string | undefined>): CheckItem {
  const words = link.ok && link.value !== undefined ? 'runs' : 'none runs'
  if (!link.ok) return { what: 'collector', well: false, words: collectorFaultText(link.fault, archive) }
  return { what: 'collector', well: true, words: `${words} with the archive ${archive}` }
}

/**
 * A broker that takes the user's name for the client's would put a running collector out for us: then that one is asked. Where
 * none runs such a broker may hand us what waits: it is not acknowledged, and comes again to the collector.
 */
async function brokerItem(
  { group, broker }: CollectorSettings,
  link: Outcome<string | undefined>,
): Promise<CheckItem> {
  if (link.ok && link.value !== undefined)
    return {
      ...{ what: 'broker', well: link.value === 'connected' },
      words: `${broker.url}: the running collector is ${link.value}`,
    }
  return item(
    'broker',
    `${broker.url} lets us in`,
    await tryBroker(broker, `motepost-${group}-collector-check`),
  )
}

async function tryBroker(settings: CollectorSettings['broker'], clientId: string): Promise<Outcome<void>> {
  const { keepaliveSeconds, answerLimitSeconds } = usualMqtt
  const broker = brokerOf({ ...settings, keepaliveSeconds, answerLimitSeconds }, clientId)
  if (!broker.ok) return broker
  const session = await broker.value.connect({
    subscribe: [],
    events: { onMessage: () => new Promise<never>(() => undefined), onLost: () => undefined },
  })
  if (!session.ok) return session
  return good(await session.value.end())
}

async function toldItems({ archive, delivery }: CollectorSettings, isRunning: boolean): Promise<CheckItem[]> {
  if (!delivery) return [{ what: 'told', well: true, words: 'nobody: motepost stations status shows it' }]
  return tryDelivery({ delivery, data: { folder: join(archive, ownFolder) } }, isRunning, 'collector')
}

async function databaseItems({ postgres }: CollectorSettings): Promise<CheckItem[]> {
  if (!postgres) return []
  const database = databaseOf(postgres)
  const session = database.ok ? await database.value.connect() : database
  if (session.ok) await session.value.end()
  const where = postgres.host.startsWith('/') ? `in ${postgres.host}` : `at ${postgres.host}:${postgres.port}`
  return [item('database', `${postgres.database} ${where} lets us in`, session)]
}
