import type { GaugeLayout, GaugeSettings } from '../settings/settings.js'

/** What a gauge's own settings do not say; undefined for files of the kernel. */
export type GaugeLayouts = readonly (GaugeLayout | undefined)[]

/** What a gauge gives, in the order of its layout or of the settings. */
export const gaugeChannels = (gauge: GaugeSettings, layout: GaugeLayout | undefined): string[] =>
  (layout?.channels ?? ('channels' in gauge ? gauge.channels : [])).map(({ channel }) => channel)
