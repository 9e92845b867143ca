import type { Priority } from '../delivery/delivery.js'
import type { SamplingStep } from '../power/power.js'

/** How long alerts may have the link on beside its hours, s in any 24 hours: a station that saves at its sensor saves here too. */
const mostSeconds: Readonly<Record<SamplingStep, number>> = {
  continuous: 3600,
  '5-of-15': 1800,
  '5-of-60': 1200,
  heartbeat: 600,
}

/** @param step what the sampling plan has come to; undefined without a plan */
export function mostLinkSeconds(priority: Priority, step: SamplingStep = 'continuous'): number {
  if (priority === 'low' || (step === 'heartbeat' && priority !== 'high')) return 0
  return mostSeconds[step]
}
