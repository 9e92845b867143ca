import { isWithinHours } from '../terms/terms.js'

/** A modem is let on for so long, so often, between two hours of the day; all day where they are the same. */
export interface ModemRhythm {
  readonly everyMinutes: number
  readonly onMinutes: number
  readonly fromHour: number
  readonly toHour: number
}

/** @param minute whole minutes since a midnight */
export const isOnByRhythm = ({ everyMinutes, onMinutes }: ModemRhythm, minute: number): boolean =>
  minute % everyMinutes < onMinutes

/** @param minute whole minutes since a midnight of local standard time */
export function isOnByHours(rhythm: ModemRhythm, minute: number): boolean {
  const { fromHour, toHour } = rhythm
  const isInHours = fromHour === toHour || isWithinHours(Math.floor(minute / 60) % 24, fromHour, toHour)
  return isInHours && isOnByRhythm(rhythm, minute)
}

/** False where it is on all the time. */
export const hasRests = ({ everyMinutes, onMinutes, fromHour, toHour }: ModemRhythm): boolean =>
  onMinutes < everyMinutes || (toHour - fromHour) % 24 !== 0
