import { readFileSync } from 'node:fs'
import { Collector, spoolRefused, type Roll, usualCollector, usualRules } from '../collector/collector.js'
import { FaultBoard } from '../health/health.js'
import { SystemClock } from '../hardware/clock.js'
import { openFolder } from '../hardware/disk.js'
import { lockFolder } from '../hardware/lock.js'
import { standardLog } from '../hardware/log.js'
import { mqttBroker, usualMqtt } from '../hardware/mqtt-broker.js'
import { systemRandom } from '../hardware/random.js'
import { startTicker } from '../hardware/ticker.js'
import { addSeconds, faultText, type Broker, type Fault, type FaultCode, type Log } from '../terms/terms.js'
import { standardOffsetMinutes, type CollectorSettings } from '../settings/settings.js'
import { archivesIn, spoolIn } from './archives.js'
import { brokerAddress } from './broker-address.js'
import { answerTold, openAlerts, type CollectorAlerts } from './collect-alerts.js'
import { serveCollector, take } from './collect-control.js'
import { doorsOf, standOpen, type DoorOptions } from './collect-doors.js'
import { besideArchive } from './collect-postgres.js'
import { StatusFile } from './collect-status.js'
import { Suspects } from './collect-suspects.js'
import type { Doors } from './open-doors.js'
import { readCollectorFile } from './read-collector-settings.js'
import { rollOf } from './roll.js'

export interface CollectOptions extends DoorOptions {
  /** Settings file, in place of all options about broker, group and archive. */
  readonly settings?: string
  readonly broker: string
  readonly group: string
  readonly archive: string
  /** A copied folder: it is taken into the archive, and that is all. */
  readonly take?: string
  readonly json?: boolean
  readonly username?: string
  readonly passwordFile?: string
  readonly caFile?: string
  readonly protocol: string
}

const stepSeconds = 5

/** Receives a group's packs until a signal ends it. Exit codes: 0 ended as asked, 1 something cannot be opened, 2 wrong use. */
export async function collect(given: CollectOptions): Promise<number> {
  const read = given.settings === undefined ? undefined : readCollectorFile(given.settings)
  if (read?.ok === false) return wrongUse(read.lines.join('\n'))
  const settings = read?.settings
  const options = settings ? { ...given, ...optionsOf(settings) } : given
  const { archive, take: folder, json } = options
  const needed = folder === undefined ? (['archive', 'broker', 'group'] as const) : (['archive'] as const)
  const missing = needed.find((key) => options[key] === undefined)
  if (missing)
    return wrongUse(
      `name --${missing}, or --settings${missing === 'archive' ? '' : ' (only --take goes without)'}`,
    )
  if (folder !== undefined) return take({ archive, take: folder, json })
  const broker = brokerOf(options)
  if (typeof broker === 'string') return wrongUse(broker)
  const doors = doorsOf(options)
  if (typeof doors === 'string') return wrongUse(doors)
  const disk = await openFolder(options.archive, { create: true })
  const locked = disk.ok ? await lockFolder(options.archive) : disk
  if (!locked.ok) {
    process.stderr.write(faultText(locked.fault) + '\n')
    return 1
  }
  return live(options, settings, broker, doors, standardLog('info'))
}

function wrongUse(words: string): 2 {
  process.stderr.write(words + '\n')
  return 2
}

const optionsOf = ({ group, archive, broker }: CollectorSettings) => ({
  ...{ group, archive, broker: broker.url, protocol: String(broker.protocol) },
  ...{ username: broker.username, passwordFile: broker.passwordFile, caFile: broker.caFile },
})

/** The broker, or what is wrong with the options. */
function brokerOf(options: CollectOptions): Broker | string {
  const at = URL.canParse(options.broker) ? new URL(options.broker) : undefined
  if (!at || !/^mqtts?:$/.test(at.protocol))
    return `--broker ${options.broker}: expected mqtt://host:port or mqtts://host:port`
  if (options.protocol !== '5' && options.protocol !== '4')
    return `--protocol ${options.protocol}: expected 5 or 4`
  if (!/^[a-z0-9-]{1,32}$/.test(options.group))
    return `--group ${options.group}: expected 1 to 32 small letters, digits and hyphens`
  try {
    const ca = options.caFile && readFileSync(options.caFile, 'utf8')
    return mqttBroker({
      ...usualMqtt,
      ...brokerAddress(at, { ca }),
      protocol: options.protocol === '5' ? 5 : 4,
      clientId: `motepost-${options.group}-collector`,
      username: options.username,
      password: options.passwordFile && readFileSync(options.passwordFile, 'utf8').trimEnd(),
    })
  } catch (error) {
    return `${(error as Error).message}: name a file that can be read`
  }
}

/** What lives in the process of a collector. */
interface Parts {
  readonly clock: SystemClock
  readonly collector: Collector
  readonly suspects: Suspects
  readonly database: ReturnType<typeof besideArchive>
  readonly status: StatusFile
  /** Undefined: nobody is told. */
  readonly told: CollectorAlerts | undefined
}

async function live(
  options: CollectOptions,
  settings: CollectorSettings | undefined,
  broker: Broker,
  doors: Doors | undefined,
  log: Log,
): Promise<number> {
  const parts = await makeParts(options, settings, broker, log)
  const { clock, collector, status, told } = parts
  const ticker = startSteps(parts)
  const statusNow = (): Record<string, unknown> => status.now(clock.mono())
  const control = await serveCollector(options.archive, collector, log, statusNow, (request) =>
    answerTold(told, request),
  )
  const open = await standOpen(doors, options.archive, log, statusNow)
  log.info('collecting', { group: options.group, archive: options.archive })
  await toldToEnd()
  ticker.stop()
  await Promise.all([control.close(), open.close(), endOf(parts)])
  log.info('stopped', { lines: collector.lines, packs: collector.counts() })
  return 0
}

async function makeParts(
  options: CollectOptions,
  settings: CollectorSettings | undefined,
  broker: Broker,
  log: Log,
): Promise<Parts> {
  const { archive, group } = options
  const clock = new SystemClock('system')
  const board = new FaultBoard(({ fault, stands }) => tell(log, fault, stands))
  const faultsOf = (part: string) => ({
    raise: (fault: Fault) => board.raise(part, fault, clock.mono()),
    clear: (...codes: FaultCode[]) => board.clear(part, ...codes),
  })
  const suspects = new Suspects(archive, log, localMinutes(settings))
  const roll = rollOf(archive, localMinutes(settings), Date.now())
  const rollNow = (): Roll => roll.at(clock.utc().at)
  const spool = await spoolIn(archive)
  if (!spool.ok) board.raise('collector', spoolRefused(spool.fault), clock.mono())
  const database = besideArchive(settings, faultsOf('postgres'))
  const collector = new Collector(
    { ...usualCollector, group, rules: { ...usualRules, ...limitsIn(settings) } },
    {
      broker,
      random: systemRandom,
      spooled: spool.ok ? spool.value : undefined,
      openArchive: database.watched(archivesIn(archive)),
      utc: () => clock.utc().at,
      faults: faultsOf('collector'),
      suspicions: (station) => suspects.of(station),
      roll: rollNow,
    },
  )
  const telling = settings && (await openAlerts(settings, clock, board, () => rollNow().retired))
  if (telling && !telling.ok) log.warn(`${faultText(telling.fault)} Nobody is told of anything.`)
  if (telling?.ok && telling.value) roll.alsoTold(telling.value.alerts.raisedOf())
  const status = new StatusFile(archive, collector, board, log, database.facts)
  collector.restore(status.read())
  return { clock, collector, suspects, database, status, told: telling?.ok ? telling.value : undefined }
}

function startSteps({ clock, collector, suspects, database, status, told }: Parts): { stop(): void } {
  let due = clock.mono()
  return startTicker(
    clock,
    () => due,
    () => {
      const now = clock.mono()
      due = addSeconds(now, stepSeconds)
      collector.step(now)
      database.step(now)
      suspects.step(clock.utc().at)
      status.step(now)
      told?.alerts.step(collector.judged(now), collector.state === 'connected', now)
    },
  )
}

async function endOf({ clock, collector, suspects, database, status, told }: Parts): Promise<void> {
  await Promise.all([collector.stop(), told?.end(), database.end(), suspects.end()])
  status.step(clock.mono(), true)
}

const toldToEnd = (): Promise<void> =>
  new Promise((resolve) => {
    process.once('SIGTERM', () => resolve())
    process.once('SIGINT', () => resolve())
  })

/** Of the people who are told. */
const localMinutes = (settings: CollectorSettings | undefined): number =>
  settings ? standardOffsetMinutes({ station: { timeZone: settings.timeZone } }) : 0

const limitsIn = (settings: CollectorSettings | undefined) =>
  settings && {
    ...{ lateAfterSeconds: settings.lateAfterSeconds, silentAfterSeconds: settings.silentAfterSeconds },
  }

function tell(log: Log, fault: Fault, stands: boolean): void {
  if (stands) log.warn(faultText(fault), { code: fault.code })
  else log.info('over', { code: fault.code, detail: fault.detail })
}
