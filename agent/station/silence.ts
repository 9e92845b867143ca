import type { FaultBoard } from '../health/health.js'
import type { FaultCode, MonoSeconds } from '../terms/terms.js'

/** What is silent: a sensor by its name, on a line. */
export interface Silent {
  readonly where: string
  readonly line: string
  readonly seconds: number
  /** Bytes that came meanwhile and made no frame. */
  readonly bytes: number
}

/** One of two faults stands: nothing comes at all, or something that makes no frame. */
export function tellSilence(faults: FaultBoard, silent: Silent, now: MonoSeconds): void {
  const { where, line, bytes } = silent
  const [code, other]: FaultCode[] =
    bytes > 0 ? ['sensor-garbage', 'sensor-silent'] : ['sensor-silent', 'sensor-garbage']
  const what = bytes > 0 ? `${bytes} bytes and no whole frame` : 'no frame'
  faults.clear(where, other)
  faults.raise(where, { code, detail: `${line}: ${what} for ${Math.round(silent.seconds)} s` }, now)
}
