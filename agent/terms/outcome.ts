import type { Fault, FaultCode } from './faults.js'

/** An expected failure is a value, not an exception: an exception means a bug of ours. */
export type Outcome<T> =
  { readonly ok: true; readonly value: T } | { readonly ok: false; readonly fault: Fault }

export const done: Outcome<void> = { ok: true, value: undefined }
export const good = <T>(value: T): Outcome<T> => ({ ok: true, value })
export const bad = (code: FaultCode, detail: string): { ok: false; fault: Fault } => ({
  ok: false,
  fault: { code, detail },
})
