import { kindOf } from '../terms/terms.js'

const names: Readonly<Record<string, string>> = {
  pm1: 'PM1',
  pm2_5: 'PM2.5',
  pm4: 'PM4',
  pm10: 'PM10',
  n0_3: 'particles > 0.3 um',
  n0_5: 'particles > 0.5 um',
  n1: 'particles > 1 um',
  n2_5: 'particles > 2.5 um',
  n4: 'particles > 4 um',
  n5: 'particles > 5 um',
  n10: 'particles > 10 um',
}

/** 'PM2.5', 'PM2.5 (2)' of the sensor in slot 2, 'battery voltage', 'temperature inside'. */
export function quantityWords(channel: string): string {
  const [name = '', slot] = channel.split('.')
  const words = names[name] ?? name.replaceAll('_', ' ')
  if (slot === undefined) return words
  return /^\d+$/.test(slot) ? `${words} (${slot})` : `${words} ${slot}`
}

export const unitOf = (channel: string): string => kindOf(channel)?.unit ?? ''
