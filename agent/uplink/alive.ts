import type { Fault, Message, MonoSeconds } from '../terms/terms.js'

export interface Life {
  readonly boot: string
  readonly session: number
}

export function aliveMessage(
  state: 'running' | 'stopped' | 'lost',
  { boot, session }: Life,
  more: Readonly<Record<string, unknown>> = {},
): Uint8Array {
  return new TextEncoder().encode(JSON.stringify({ v: 1, state, boot, session, ...more }))
}

/** An echo that takes longer does not come. */
const echoLimitSeconds = 180

/**
 * Without a collector nobody says that what the broker acknowledged is there for others. So the station listens to its own
 * topic `alive`: each hour's message must come back. What comes back and is not ours (a late will, a second station of the
 * name) is untrue, and ours is to be said again.
 */
export class RoundTrip {
  private ours: Uint8Array | undefined
  private waitsSince: MonoSeconds | undefined
  heardAt: MonoSeconds | undefined

  said(payload: Uint8Array, now: MonoSeconds): void {
    this.ours = payload
    this.waitsSince ??= now
  }

  /** It was not sent after all, or nobody listens: nothing is awaited. */
  forget(): void {
    this.waitsSince = undefined
  }

  /** @returns whether it was ours; what the broker kept from earlier proves nothing. */
  heard({ payload, retained }: Message, now: MonoSeconds): 'ours' | 'old' | 'foreign' {
    if (retained) return 'old'
    if (this.ours === undefined || Buffer.compare(payload, this.ours) !== 0) return 'foreign'
    this.waitsSince = undefined
    this.heardAt = now
    return 'ours'
  }

  /** Once for each echo that does not come. */
  overdue(now: MonoSeconds): Fault | undefined {
    if (this.waitsSince === undefined || now - this.waitsSince < echoLimitSeconds) return undefined
    this.waitsSince = undefined
    return {
      code: 'round-trip-failed',
      detail: 'the message on alive was acknowledged and did not come back',
    }
  }
}
