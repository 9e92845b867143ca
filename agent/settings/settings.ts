/**
 * settings: one YAML file becomes checked settings, or the list of everything that is wrong with it.
 *
 * In: the text of the file and its name as people know it; optionally the channels each known layout gives.
 * Out: `Settings` (shape.ts: camelCase, units written out, defaults filled in) with notes that are no faults; or every
 * fault at once, each with line, column, key, what is wrong, what is allowed and what was probably meant.
 * Assumed: nothing about the text. It is read whole, it is never thrown at, and no fault shows a password.
 * Refused: unknown keys, a second key of the same name, numbers as texts, decimal commas, values in another unit than the
 * key says, anchors and aliases, tabs, files over 256 kB, a password anywhere.
 *
 * No file is opened here and no clock is read: whether a port, a folder or a certificate exists is found out by whoever
 * opens it. The form of the file stands in schema.ts, for editors in config/settings.schema.json.
 */
import { crossFindings, type KnownLayouts } from './crosschecks.js'
import type { KnownGaugeLayouts } from './crosschecks-gauges.js'
import { settingsFaultText, type SettingsFault } from './fault.js'
import { schemaFindings, withoutEchoes } from './keys.js'
import { Look } from './look.js'
import { noteFindings } from './notes.js'
import { textKeys } from './patterns.js'
import { allFaults, placed } from './placed.js'
import { settingsSchema } from './schema.js'
import { settingsOf, type Settings, type StationSettings } from './shape.js'
import { readYaml } from './yaml-text.js'
import { lowestOffsetMinutes } from './zone.js'

export {
  effectiveSettingsText,
  measuringHash,
  settingsEventDetails,
  settingsForOthers,
  shownSettingsText,
} from './effective.js'
export {
  collectorJsonSchemaText,
  isCollectorSettings,
  readCollectorSettings,
  shownCollectorText,
  type CollectorSettings,
  type CollectorSettingsOutcome,
} from './collector-settings.js'
export type { KnownLayouts } from './crosschecks.js'
export type { KnownGaugeLayouts } from './crosschecks-gauges.js'
export { settingsFaultText, type SettingsFault, type SettingsFaultCode } from './fault.js'
export { faultForOthers, type FaultForOthers } from './for-others.js'
export {
  readGaugeLayout,
  type GaugeLayout,
  type GaugeLayoutOutcome,
  type LayoutComplaint,
  type ModbusLayout,
  type TextLayout,
} from './gauge-layout.js'
export type { GaugeChannelName } from './patterns.js'
export { readPushed, type PushedOutcome, type PushedTexts } from './pushed.js'
export { readRegister, roundedDegrees, type RegisteredStation, type RegisterOutcome } from './register.js'
export { settingsJsonSchemaText, settingsVersion } from './schema.js'
export type {
  AlertSettings,
  FileGaugeSettings,
  GaugeSettings,
  InstrumentSettings,
  LineGaugeSettings,
  MqttSettings,
  Settings,
  SiteSettings,
  StationSettings,
  UplinkSettings,
} from './shape.js'
export type {
  DeliverySettings,
  MailSettings,
  RecipientSettings,
  SmsSettings,
  WebhookSettings,
} from './shape-delivery.js'
export type { PowerSettings, SwitchSettings } from './shape-power.js'
export { unreadableYaml } from './yaml-guard.js'
export { isZone, lowestOffsetMinutes, nearestZone } from './zone.js'

export type SettingsOutcome =
  | {
      readonly ok: true
      readonly settings: Settings
      /** For a person, one line each in the form of a fault: worth knowing, nothing to repair. */
      readonly notes: readonly string[]
    }
  | { readonly ok: false; readonly faults: readonly SettingsFault[] }

/**
 * @param fileName stands before each fault; usually the path as the user gave it.
 * @param layouts channels of each layout in config/instruments; given, layouts, slots and the channels of alerts are
 * checked against it.
 * @param gaugeLayouts the same of config/gauges.
 */
export function readSettings(
  text: string,
  fileName: string,
  layouts?: KnownLayouts,
  gaugeLayouts?: KnownGaugeLayouts,
): SettingsOutcome {
  const yaml = readYaml(text, textKeys)
  const look = new Look(yaml.value)
  const findings =
    yaml.value === undefined
      ? []
      : [...schemaFindings(yaml.value), ...crossFindings(look, layouts, gaugeLayouts)]
  const faults = allFaults(yaml, withoutEchoes(findings), fileName)
  if (faults.length > 0) return { ok: false, faults }
  const notes = noteFindings(look).map((finding) => settingsFaultText(placed(finding, yaml, fileName)))
  return { ok: true, settings: settingsOf(settingsSchema.parse(yaml.value)), notes }
}

/**
 * Minutes east of UTC of the station's standard time, in which its days are cut: `standard_offset_min`, or the lowest
 * offset of `time_zone` in a year (winter's, in both hemispheres), or 0.
 * @param year whose rules are taken; leave it out for an answer that does not change while the program runs.
 */
export function standardOffsetMinutes(
  { station }: { readonly station: Pick<StationSettings, 'timeZone' | 'standardOffsetMinutes'> },
  year?: number,
): number {
  if (station.timeZone !== undefined) return lowestOffsetMinutes(station.timeZone, year)
  return station.standardOffsetMinutes ?? 0
}

/** The data folder that a file names, also where the rest of it is wrong. */
export const dataFolderIn = (text: string): string | undefined =>
  new Look(readYaml(text, textKeys).value).text(['data', 'folder'])
