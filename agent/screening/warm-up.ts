/** How long an instrument gave nothing before it came back, as far as that is known. */
export interface Rest {
  /** Seconds since its last reading; NaN when nobody knows. */
  readonly seconds: number
  /** It had its supply all the while and was only asleep, or nobody listened. */
  readonly powered: boolean
  /** Temperature of the air outside, °C; NaN when nothing measures it. */
  readonly temperatureC: number
}

const shortSleepSeconds = 3600
const longRestSeconds = 86_400
const freezing = 0

/**
 * Least warm-up after a rest: the usual time after a start, half of it after less than an hour asleep, twice as long below
 * freezing or after a day of rest (60, 30 and 120 s; common practice, no source).
 */
export function warmUpAfter(usualSeconds: number, { seconds, powered, temperatureC }: Rest): number {
  if (temperatureC < freezing || seconds >= longRestSeconds) return usualSeconds * 2
  return powered && seconds < shortSleepSeconds ? usualSeconds / 2 : usualSeconds
}
