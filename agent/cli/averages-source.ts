/** Where averages take their records from: a store, or an imported series in its place. */
import type { Settings } from '../settings/settings.js'
import type { Outcome } from '../terms/terms.js'
import { importedSeries, seriesAsStore } from './averages-series.js'
import {
  asProblem,
  openOneStore,
  whereToLook,
  type DeskOptions,
  type DeskStore,
  type Opened,
} from './desk.js'
import { gather, type Gathered, type GatherOptions } from './desk-series.js'
import { survey, type Survey } from './desk-survey.js'
import { zoneFor, type DeskZone } from './desk-zone.js'
import { isSeriesFile } from './import-series.js'

export interface RecordSource {
  readonly station: string
  readonly storeId: string
  readonly survey: Survey
  readonly zone: DeskZone
  /** Absent for an imported series. */
  readonly store?: DeskStore
  /** Where a settings file was read. */
  readonly settings?: Settings
  gather(options: GatherOptions): Promise<Outcome<Gathered>>
}

export interface SourceOptions extends DeskOptions {
  readonly zone?: string
}

/** @param leastSteps seconds: a series of longer steps is refused */
export async function openRecords(options: SourceOptions, leastSteps: number): Promise<Opened<RecordSource>> {
  if (options.store !== undefined && isSeriesFile(options.store))
    return openSeries(options, options.store, leastSteps)
  const where = await whereToLook(options)
  if (!where.ok) return where
  const opened = await openOneStore(where.value.folder, options.storeId)
  if (!opened.ok) return opened
  const store = opened.value
  const surveyed = await survey(store)
  if (!surveyed.ok) return asProblem(surveyed.fault)
  const zone = zoneFor(options.zone, where.value.settings, surveyed.value.settingsLine)
  if (!zone.ok) return zone
  const { station, storeId } = store
  const { settings } = where.value
  return {
    ok: true,
    value: {
      ...{ station, storeId, store, survey: surveyed.value, zone: zone.value },
      ...(settings ? { settings } : {}),
      gather: (how) => gather(store, surveyed.value, how),
    },
  }
}

async function openSeries(
  options: SourceOptions,
  file: string,
  leastSteps: number,
): Promise<Opened<RecordSource>> {
  const opened = seriesAsStore(file, leastSteps)
  if (!opened.ok) return opened
  const { name, offsetMinutes } = opened.value
  const own: DeskZone = { offsetMinutes, source: 'by the series file' }
  const zone = options.zone === undefined ? undefined : zoneFor(options.zone, undefined, undefined)
  if (zone && !zone.ok) return zone
  const where = options.settings === undefined ? undefined : await whereToLook(options)
  if (where && !where.ok) return where
  const settings = where?.value.settings
  return {
    ok: true,
    value: {
      ...{ ...opened.value, station: name, storeId: importedSeries, zone: zone?.value ?? own },
      ...(settings ? { settings } : {}),
    },
  }
}
