/** In which minutes of the hour the sensor runs, and how long it needs before its readings count. */
import type { SamplingStep } from './plan.js'

/** Whether the sensor runs in a minute of the hour; windows begin on the hour, so each quarter of it has its own five. */
export function runsInMinute(step: SamplingStep, minuteOfHour: number): boolean {
  if (step === 'continuous') return true
  if (step === '5-of-15') return minuteOfHour % 15 < 5
  return step === '5-of-60' && minuteOfHour < 5
}
