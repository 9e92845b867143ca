import { entryDetails } from '../sitelog/sitelog.js'
import { utcText, type UtcMillis } from '../terms/terms.js'
import type { Station } from './station.js'

/** Most entries a list answers with; the oldest are left out and counted. */
const mostListed = 1000

/**
 * What a running station answers to a request over its control socket: `{"do":"status"}`, `{"do":"add","entry":{…}}` with
 * keys as in the details of a site log line, `{"do":"list"}`. Anything else is refused in words; nothing throws.
 */
export async function answerRequest(station: Station, request: unknown): Promise<Record<string, unknown>> {
  const { do: what, entry } = Object(request) as Record<string, unknown>
  if (what === 'status') return { ok: true, status: await station.status() }
  if (what === 'list') return { ok: true, list: siteList(station.siteLog) }
  if (what === 'add' && typeof entry === 'object' && entry !== null && !Array.isArray(entry))
    return { ...(await station.addEntry(entry as Record<string, unknown>)) }
  return { ok: false, words: 'not understood; this station answers to status, list and add' }
}

/** A site log as others see it: entries as written and as they count, units, deployments, doubts. */
export function siteList(log: Station['siteLog']): Record<string, unknown> {
  const entries = log.entries()
  return {
    left_out: Math.max(0, entries.length - mostListed),
    entries: entries
      .slice(-mostListed)
      .map(({ number, asWritten, entry, correctedBy, from, to, written }) => ({
        number,
        written_at: timeText(written.utc),
        ...timed({ from, to }),
        as_written: entryDetails(asWritten),
        counts_as: entry && entryDetails(entry),
        corrected_by: correctedBy,
      })),
    units: log.units().map((unit) => ({ ...unit, ...timed(unit) })),
    deployments: log.deployments().map((one) => ({ ...one, ...timed(one) })),
    doubts: log.doubts(),
  }
}

const timeText = (utc: UtcMillis | undefined): string | undefined =>
  utc === undefined ? undefined : utcText(utc)

const timed = ({ from, to }: { readonly from?: UtcMillis; readonly to?: UtcMillis }) => ({
  from: timeText(from),
  to: timeText(to),
})
