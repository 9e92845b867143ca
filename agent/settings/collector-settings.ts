/** The settings file of a collector: its group, its broker, and who is told. Read as strictly as that of a station. */
import { stringify } from 'yaml'
import { z } from 'zod'
import { deliveryFindings } from './crosschecks-delivery.js'
import { fileValue } from './effective.js'
import { settingsFaultText, type SettingsFault } from './fault.js'
import { judgeZone } from './judge.js'
import { schemaFindings, withoutEchoes } from './keys.js'
import { group, number, numberChoice, text, zone } from './leaves.js'
import { atKey, atValue, Look, valueAt, type Finding } from './look.js'
import { pathShape, pathWords, shortName, shortNameWords, textKeys, urlShape } from './patterns.js'
import { brokerNotes } from './notes.js'
import { deliveryNotes } from './notes-delivery.js'
import { allFaults, placed } from './placed.js'
import { collectorDeliveryGroup } from './schema-delivery.js'
import { postgresGroup, postgresOf, type PostgresSettings } from './schema-postgres.js'
import { brokerLogin, brokerProtocol } from './schema-uplink.js'
import { deliveryOf, veiledDelivery, type DeliverySettings } from './shape-delivery.js'
import { readYaml } from './yaml-text.js'
import { isZone } from './zone.js'

const minutes = { least: 1, most: 10_080, unit: 'minutes' }

const collector = group('Who is watched, and where their lines are kept.', {
  group: text('Name of the group of stations.', shortName, shortNameWords),
  archive: text('Folder of the archive.', pathShape, pathWords),
  time_zone: zone('Time zone of the people who are told, by its IANA name.').default('UTC'),
  late_after_min: number('A station of which nothing was heard for so long is late.', minutes).default(75),
  silent_after_min: number('And after so long silent: then people are told.', minutes).default(180),
})

const broker = group('The broker of the group.', {
  url: text('Its address.', urlShape, 'mqtt://host:port or mqtts://host:port, without user and password'),
  protocol: brokerProtocol,
  ...brokerLogin,
})

const collectorSchema = group('Settings of a collector.', {
  version: numberChoice('Version of this form.', [1]),
  collector,
  broker,
  delivery: collectorDeliveryGroup.optional(),
  postgres: postgresGroup.optional(),
})

/** JSON Schema (2020-12) of the file, for editors; config/collector.schema.json holds this text. */
export const collectorJsonSchemaText = (): string =>
  JSON.stringify(
    { title: 'Motepost collector settings', ...z.toJSONSchema(collectorSchema, { io: 'input' }) },
    undefined,
    2,
  ) + '\n'

export interface CollectorSettings {
  readonly group: string
  readonly archive: string
  readonly timeZone: string
  readonly lateAfterSeconds: number
  readonly silentAfterSeconds: number
  readonly broker: {
    readonly url: string
    readonly protocol: 5 | 4
    readonly username?: string
    readonly passwordFile?: string
    readonly caFile?: string
  }
  readonly delivery?: DeliverySettings
  readonly postgres?: PostgresSettings
}

export type CollectorSettingsOutcome =
  | {
      readonly ok: true
      readonly settings: CollectorSettings
      /** For a person, one line each in the form of a fault: worth knowing, nothing to repair. */
      readonly notes: readonly string[]
    }
  | { readonly ok: false; readonly faults: readonly SettingsFault[] }

/** Whether the text means to be the settings of a collector: those of a station have no block of that name. */
export function isCollectorSettings(fileText: string): boolean {
  const { value } = readYaml(fileText, textKeys)
  return typeof value === 'object' && value !== null && 'collector' in value
}

/** @param fileName stands before each fault */
export function readCollectorSettings(fileText: string, fileName: string): CollectorSettingsOutcome {
  const yaml = readYaml(fileText, textKeys)
  const findings = yaml.value === undefined ? [] : findingsIn(yaml.value)
  const faults = allFaults(yaml, withoutEchoes(findings), fileName)
  if (faults.length > 0) return { ok: false, faults }
  const notes = notesOf(yaml.value).map((finding) => settingsFaultText(placed(finding, yaml, fileName)))
  return { ok: true, settings: shapeOf(collectorSchema.parse(yaml.value)), notes }
}

/** The block `delivery` is that of a station, and so are its checks. */
function findingsIn(root: unknown): Finding[] {
  return [
    ...schemaFindings(root, collectorSchema),
    ...deliveryFindings(new Look(root)),
    ...limitFindings(root),
    ...zoneFindings(root),
  ]
}

const notesOf = (root: unknown): Finding[] => [
  ...brokerNotes(root, ['broker']),
  ...deliveryNotes(new Look(root)),
]

function limitFindings(root: unknown): Finding[] {
  const [latePath, silentPath] = [
    ['collector', 'late_after_min'],
    ['collector', 'silent_after_min'],
  ]
  const [late, silent] = [valueAt(root, latePath) ?? 75, valueAt(root, silentPath) ?? 180]
  if (typeof late !== 'number' || typeof silent !== 'number' || late < silent) return []
  const path = valueAt(root, silentPath) === undefined ? latePath : silentPath
  const wrong = `late after ${late} min, silent after ${silent} min`
  return [
    atKey(path, { code: 'conflict', wrong, advice: 'silent_after_min must be more than late_after_min' }),
  ]
}

function zoneFindings(root: unknown): Finding[] {
  const path = ['collector', 'time_zone']
  const name = valueAt(root, path)
  return typeof name !== 'string' || isZone(name) ? [] : [atValue(path, judgeZone(name))]
}

function shapeOf(file: z.infer<typeof collectorSchema>): CollectorSettings {
  const { collector: who, broker: at, delivery, postgres } = file
  return {
    ...{ group: who.group, archive: who.archive, timeZone: who.time_zone },
    ...{ lateAfterSeconds: who.late_after_min * 60, silentAfterSeconds: who.silent_after_min * 60 },
    broker: {
      ...{ url: at.url, protocol: at.protocol },
      ...(at.username === undefined ? {} : { username: at.username }),
      ...(at.password_file === undefined ? {} : { passwordFile: at.password_file }),
      ...(at.ca_file === undefined ? {} : { caFile: at.ca_file }),
    },
    ...(delivery ? { delivery: deliveryOf(delivery) } : {}),
    ...(postgres ? { postgres: postgresOf(postgres) } : {}),
  }
}

/** The settings in force with all defaults written out, as YAML of the same form; whom they tell is not shown. */
export function shownCollectorText(settings: CollectorSettings): string {
  const { group: name, archive, timeZone, lateAfterSeconds, silentAfterSeconds, ...blocks } = settings
  const { broker: at, delivery, postgres } = blocks
  const who = {
    ...{ group: name, archive, timeZone },
    ...{ lateAfterMinutes: lateAfterSeconds / 60, silentAfterMinutes: silentAfterSeconds / 60 },
  }
  const file = {
    ...{ version: 1, collector: who, broker: at },
    ...(delivery ? { delivery: veiledDelivery(delivery) } : {}),
    ...(postgres ? { postgres } : {}),
  }
  return stringify(fileValue(file), { lineWidth: 0 })
}
