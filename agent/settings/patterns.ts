import { channelNames } from '../terms/terms.js'

/** Shapes of texts in the settings, each with the words that say what is allowed. */

/** Keys whose text may be written without quotes although it looks like a number (`slot: 1`, `serial: 00417`). */
export const textKeys: readonly string[] = [
  'name',
  'group',
  'slot',
  'serial',
  'device',
  'client_id',
  'username',
  'to',
  'alias',
]

const temperatureFiles = /^(temp\d+_input|temp|in_temp\d*(_[a-z]+)?_(input|raw))$/
const humidityFiles = /^(humidity\d+_input|in_humidityrelative\d*_(input|raw))$/

/** Channels that a gauge may give, and the files of the kernel that carry such a quantity. */
export const gaugeFiles = {
  battery_voltage: /^(in\d+_(input|average)|voltage_(now|avg)|in_voltage\d*_(input|raw))$/,
  battery_current: /^(curr\d+_(input|average)|current_(now|avg)|in_current\d*_(input|raw))$/,
  solar_power: /^(power\d+_(input|average)|power_(now|avg)|in_power\d*_(input|raw))$/,
  state_of_charge: /^capacity$/,
  temperature: temperatureFiles,
  'temperature.outside': temperatureFiles,
  'temperature.inside': temperatureFiles,
  humidity: humidityFiles,
  'humidity.outside': humidityFiles,
  'humidity.inside': humidityFiles,
  pressure: /^in_pressure\d*_(input|raw)$/,
} as const
export type GaugeChannelName = keyof typeof gaugeFiles
/** The files of each kind of folder; 'in0_input' is a voltage of hwmon, 'in_temp_input' a file of iio. */
export const gaugeKindFiles: Readonly<Record<string, RegExp>> = {
  hwmon: /^[a-z]+\d+_/,
  power_supply: /^(voltage_|current_|power_|capacity$|temp$)/,
  iio: /^in_/,
}
/** A folder of the kernel each, and what comes over a line by a layout. */
export const fileKinds = ['hwmon', 'power_supply', 'iio'] as const
export const lineKinds = ['modbus', 'text'] as const
export const gaugeKinds = [...fileKinds, ...lineKinds] as const
export const gaugeChannelNames = Object.keys(gaugeFiles) as [GaugeChannelName, ...GaugeChannelName[]]

export const shortName = /^[a-z0-9-]{1,32}$/
export const shortNameWords = '1 to 32 small letters, digits and hyphens'
export const plainText = /^(?=.*\S)[^\u0000-\u001f\u007f]+$/
export const anyWords = 'a text of up to 200 characters'
// A tilde is the shell's: here it would make a folder called '~'.
export const pathShape = /^(?!~)(?=.*\S)[^\u0000-\u001f\u007f]+$/
/** With a slash in it, so that a password typed here by mistake is refused and not shown around as a path. */
export const secretPathShape = /^(?!~)[^\u0000-\u001f\u007f]*\/[^\u0000-\u001f\u007f/]+$/
export const pathWords = 'a path, written out in full (~ is not understood)'
export const fileName = /^[a-z][a-z0-9_]{0,40}$/
export const portShape =
  /^(\/[^\u0000-\u001f\u007f]+|tcp:\/\/(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+):\d{1,5}|file:[^\u0000-\u001f\u007f]+)$/
export const portWords =
  'a device such as /dev/serial/by-id/…, tcp://host:port, or file: and the path of a recording'
export const layoutShape = /^([A-Za-z0-9][A-Za-z0-9_-]*|(?!~).*\.yaml)$/
/** No user, password, path or query: the rest has keys of its own. */
export const urlShape = /^mqtts?:\/\/(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+)(:\d{1,5})?\/?$/
/** A direction has no above or below: 359 and 1 degree lie beside each other. */
export const alertChannels = channelNames.filter((name) => name !== 'wind_from')

export const alertChannelShape = new RegExp(`^(${alertChannels.join('|')})(\\.[a-z0-9]{1,12})?$`)
