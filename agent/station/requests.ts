import { entryDetails, type Doubt, type SiteLog } from '../sitelog/sitelog.js'
import { utcText, type UtcMillis } from '../terms/terms.js'
import type { Station } from './station.js'

/** Most entries a list answers with; the oldest are left out and counted. */
const mostListed = 1000

/**
 * What a running station answers to a request over its control socket: `{"do":"status"}`, `{"do":"health"}`,
 * `{"do":"add","entry":{…}}` with keys as in the details of a site log line, `{"do":"list"}`, `{"do":"resend"}`,
 * `{"do":"set-clock","utc":…,"error_s":…,"confirm":…}`, `{"do":"flush"}`, `{"do":"change-key","to":…,"lost":…}`, and those of
 * `answerDelivery`. Anything else is refused in words; nothing throws.
 */
export async function answerRequest(station: Station, request: unknown): Promise<Record<string, unknown>> {
  const { do: what, entry } = Object(request) as Record<string, unknown>
  if (what === 'status') return { ok: true, status: await station.status() }
  if (what === 'health') return { ok: true, health: station.health() }
  if (what === 'list') return { ok: true, list: siteList(station.siteLog) }
  if (what === 'resend') return station.resend()
  if (what === 'flush') return { ok: await station.flushNow() }
  if (what === 'set-clock') return { ...(await station.setClock(Object(request) as Record<string, unknown>)) }
  if (what === 'change-key') return changeKey(station, Object(request) as Record<string, unknown>)
  if (what === 'add' && typeof entry === 'object' && entry !== null && !Array.isArray(entry))
    return { ...(await station.addEntry(entry as Record<string, unknown>)) }
  const told = await station.tellingRequest(Object(request) as Record<string, unknown>)
  if (told) return told
  return {
    ok: false,
    words:
      'not understood; this station answers to status, health, list, add, resend, set-clock, change-key, acknowledge, mute and send-test',
  }
}

async function changeKey(station: Station, { to, lost }: Record<string, unknown>) {
  if (to !== undefined && (typeof to !== 'string' || !/^[0-9a-f]{64}$/.test(to)))
    return { ok: false, words: 'to: expected the 64 hex digits of a public key' }
  return station.changeKey({ ...(to === undefined ? {} : { to }), isLost: lost === true })
}

interface Span {
  /** UTC; absent where nobody knows, or where it goes on. */
  readonly from?: string
  readonly to?: string
}

/** A site log as others see it: entries as written and as they count, units, deployments, doubts. Times are UTC texts. */
export interface SiteList {
  readonly left_out: number
  readonly entries: readonly (Span & {
    readonly number: number
    readonly written_at?: string
    readonly as_written: Readonly<Record<string, string>>
    /** Absent: withdrawn. */
    readonly counts_as?: Readonly<Record<string, string>>
    readonly corrected_by: readonly number[]
  })[]
  readonly units: readonly (Span & { readonly slot?: string; readonly serial: string })[]
  readonly deployments: readonly (Span & { readonly place: string })[]
  readonly doubts: readonly Doubt[]
}

export function siteList(log: SiteLog): SiteList {
  const entries = log.entries()
  return {
    left_out: Math.max(0, entries.length - mostListed),
    entries: entries.slice(-mostListed).map((one) => ({
      number: one.number,
      written_at: one.written.utc === undefined ? undefined : utcText(one.written.utc),
      ...spanOf(one),
      as_written: entryDetails(one.asWritten),
      counts_as: one.entry && entryDetails(one.entry),
      corrected_by: one.correctedBy,
    })),
    units: log.units().map(({ slot, serial, ...span }) => ({ slot, serial, ...spanOf(span) })),
    deployments: log.deployments().map(({ place, ...span }) => ({ place, ...spanOf(span) })),
    doubts: log.doubts(),
  }
}

const spanOf = ({ from, to }: { readonly from?: UtcMillis; readonly to?: UtcMillis }): Span => ({
  ...(from === undefined ? {} : { from: utcText(from) }),
  ...(to === undefined ? {} : { to: utcText(to) }),
})
