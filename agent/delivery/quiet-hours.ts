import { isWithinHours, type MonoSeconds, type UtcMillis } from '../terms/terms.js'
import type { Priority, Recipient } from './contracts.js'

export interface WatchPorts {
  readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined
  readonly watchTime: (utc: UtcMillis) => { readonly day: string; readonly hour: number }
}

/** While the clock is not trusted nobody knows whether it is night: an alert does not wait for that. */
export function isQuiet(
  recipient: Recipient,
  priority: Priority,
  now: MonoSeconds,
  ports: WatchPorts,
): boolean {
  if (!recipient.quiet || priority === 'high') return false
  const utc = ports.utcAt(now)
  if (utc === undefined) return false
  const { fromHour, toHour } = recipient.quiet
  return isWithinHours(ports.watchTime(utc).hour, fromHour, toHour)
}
