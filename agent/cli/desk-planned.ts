import { isSupply } from '../terms/terms.js'
import { slotOf, type DeskRecord } from './desk-records.js'

/**
 * Seconds of a record in which a channel was to be measured. The record's own planned seconds are those of its sensors: a
 * gauge is asked however the sensors sleep, and so is planned always. Battery and sun are told by their names; any other
 * gauge by counting in a minute in which no sensor was planned, and none ran on request. One of those that was missing
 * in such a minute cannot be told from a sleeping sensor.
 * @param marks the record's cell of marks
 */
export function plannedOf(
  { view, seconds }: DeskRecord,
  channel: string,
  usedSeconds: number,
  marks: string,
): number {
  return isSupply(channel) ? seconds : plannedBeside(view.planned(), seconds, channel, usedSeconds, marks)
}

/**
 * The same for a channel that is not of the supply.
 * @param planned seconds of the record's sensors
 */
export function plannedBeside(
  planned: number,
  seconds: number,
  channel: string,
  usedSeconds: number,
  marks: string,
): number {
  const isGauge = planned === 0 && usedSeconds > 0 && !isRequested(channel, marks)
  return isGauge ? seconds : planned
}

const isRequested = (channel: string, marks: string): boolean => {
  const slot = slotOf(channel)
  const mark = slot === undefined ? 'on-request=' : `on-request.${slot}=`
  return marks.split(';').some((one) => one.startsWith(mark))
}
