import { pino } from 'pino'
import type { Log } from '../terms/terms.js'

const longestDetail = 500

/**
 * One JSON line an entry on standard output; the system's journal stores and rotates. A reader that went away must
 * neither stop nor kill the station, so errors of the stream end here.
 */
export function standardLog(level: 'debug' | 'info' | 'warn'): Log {
  process.stdout.on('error', () => undefined)
  const destination = pino.destination({ dest: 1, sync: true })
  destination.on('error', () => undefined)
  const logger = pino({ level, base: undefined, timestamp: pino.stdTimeFunctions.isoTime }, destination)
  return {
    info: (words, details) => logger.info(capped(details), words),
    warn: (words, details) => logger.warn(capped(details), words),
  }
}

function capped(details: Readonly<Record<string, unknown>> = {}): Record<string, unknown> {
  return Object.fromEntries(
    Object.entries(details).map(([key, value]) => [
      key,
      typeof value === 'string' && value.length > longestDetail ? value.slice(0, longestDetail) + '…' : value,
    ]),
  )
}
