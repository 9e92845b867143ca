import { isWithinHours } from '../terms/terms.js'

/** A modem is let on for so long, so often, between two hours of the day; all day where they are the same. */
export interface ModemRhythm {
  readonly everyMinutes: number
  readonly onMinutes: number
  readonly fromHours: number
  readonly toHours: number
}

/** @param minute whole minutes since a midnight */
export const isOnByRhythm = ({ everyMinutes, onMinutes }: ModemRhythm, minute: number): boolean =>
  minute % everyMinutes < onMinutes

/** @param minute whole minutes since a midnight of local standard time */
export function isOnByHours(rhythm: ModemRhythm, minute: number): boolean {
  const { fromHours, toHours } = rhythm
  const isInHours = fromHours === toHours || isWithinHours(Math.floor(minute / 60) % 24, fromHours, toHours)
  return isInHours && isOnByRhythm(rhythm, minute)
}

/** False where it is on all the time. */
export const hasRests = ({ everyMinutes, onMinutes, fromHours, toHours }: ModemRhythm): boolean =>
  onMinutes < everyMinutes || (toHours - fromHours) % 24 !== 0
