/** The sink of a collector whose settings have a block `postgres`: what it follows, and how it is told that a store grew. */
import { randomUUID } from 'node:crypto'
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import type { CollectorPorts } from '../collector/collector.js'
import { DeskDisk } from '../hardware/disk.js'
import { postgres, usualPostgres } from '../hardware/postgres.js'
import { systemRandom } from '../hardware/random.js'
import type { CollectorSettings } from '../settings/settings.js'
import { SqlSink, usualSql, type ArchivedStore, type SqlPorts, type SqlStatus } from '../sql/sql.js'
import { bad, good, type MonoSeconds, type Outcome, type SqlDatabase } from '../terms/terms.js'
import { fileText } from './compose-delivery.js'
import { packageRoot } from './package-root.js'
import { subfolders } from './subfolders.js'
import { writeWhole } from './write-whole.js'

type SinkSettings = Pick<CollectorSettings, 'group' | 'archive'> &
  Required<Pick<CollectorSettings, 'postgres'>>

/** Faults: settings-invalid where a file that is named cannot be read; disk-*. */
function openSink(settings: SinkSettings, faults: SqlPorts['faults']): Outcome<SqlSink> {
  const { group, archive } = settings
  try {
    const schema = readFileSync(join(packageRoot, 'config/postgres.sql'), 'utf8')
    const database = databaseOf(settings.postgres)
    if (!database.ok) return database
    const ports = { random: systemRandom, disk: diskIn(archive), stores: storesIn(archive), breathe, faults }
    const options = { ...usualSql, group, schema, feed: feedOf(archive) }
    return good(new SqlSink(options, { ...ports, database: database.value }))
  } catch (error) {
    return bad('settings-invalid', (error as Error).message)
  }
}

/** Fault: named-file-missing where a file that is named cannot be read. */
export function databaseOf(settings: SinkSettings['postgres']): Outcome<SqlDatabase> {
  const { passwordFile, caFile, tls, ...where } = settings
  const [password, ca] = [fileText(passwordFile), fileText(caFile)]
  if (!password.ok) return password
  if (!ca.ok) return ca
  return good(
    postgres({ ...usualPostgres, ...where, password: password.value, tls: tls && { ca: ca.value } }),
  )
}

const feedName = '.postgres-feed'

/** The word by which the database knows this archive. A copy of the folder goes on under it; a new one is read from its start. */
function feedOf(archive: string): string {
  const path = join(archive, feedName)
  const known = existsSync(path) ? readFileSync(path, 'utf8').trim() : ''
  if (/^[0-9a-f-]{36}$/.test(known)) return known
  const feed = randomUUID()
  writeWhole(path, feed + '\n')
  return feed
}

const diskIn =
  (archive: string) =>
  ({ station, storeId }: ArchivedStore): DeskDisk =>
    new DeskDisk(join(archive, station, storeId))

const storesIn = (archive: string) => (): Promise<Outcome<ArchivedStore[]>> => {
  const stores = subfolders(archive).flatMap((station) =>
    subfolders(join(archive, station)).map((storeId) => ({ station, storeId })),
  )
  return Promise.resolve(
    good(stores.filter(({ station, storeId }) => existsSync(join(archive, station, storeId, 'store.json')))),
  )
}

const breathe = (): Promise<void> => new Promise((resolve) => setImmediate(resolve))

/** The database of a collector; where its settings name none, nothing. */
export interface BesideArchive {
  /** Archives that say when they grew. */
  watched(open: CollectorPorts['openArchive']): CollectorPorts['openArchive']
  step(now: MonoSeconds): void
  /** For the status. */
  facts(): Record<string, unknown>
  /** Waits a little for the batch that is under way: what is not done then is done after the next start. */
  end(): Promise<void>
}

const nothingBeside: BesideArchive = {
  ...{ watched: (open) => open, step: () => undefined },
  ...{ facts: () => ({}), end: () => Promise.resolve() },
}
const landMillis = 2000

/** What cannot be opened is a fault, and the collector goes on without it. */
export function besideArchive(
  settings: CollectorSettings | undefined,
  faults: SqlPorts['faults'],
): BesideArchive {
  if (!settings?.postgres) return nothingBeside
  const opened = openSink({ ...settings, postgres: settings.postgres }, faults)
  if (!opened.ok) {
    faults.raise(opened.fault)
    return nothingBeside
  }
  const sink = opened.value
  return {
    watched: (open) => watchedBy(sink, open),
    step: (now) => sink.step(now),
    facts: () => ({ postgres: factsOf(sink.status()) }),
    end: async () => {
      await Promise.race([sink.stop(), new Promise((wake) => setTimeout(wake, landMillis).unref())])
    },
  }
}

const factsOf = ({ state, storesWaiting, behindSeconds, taken, given, refused }: SqlStatus) => ({
  ...{ state, stores_waiting: storesWaiting, behind_s: Math.round(behindSeconds) },
  lines: { taken, given, refused },
})

function watchedBy(sink: SqlSink, open: CollectorPorts['openArchive']): CollectorPorts['openArchive'] {
  return async (store) => {
    const opened = await open(store)
    if (!opened.ok) return opened
    const archive = opened.value
    return good({
      add: (lines, sets) => archive.add(lines, sets),
      ranges: () => archive.ranges(),
      sync: async () => {
        const synced = await archive.sync()
        if (synced.ok) sink.changed(store)
        return synced
      },
    })
  }
}
