/** Between two hours of a day; over midnight where the first is the later one, never where they are the same. */
export const isWithinHours = (hour: number, from: number, to: number): boolean =>
  from <= to ? hour >= from && hour < to : hour >= from || hour < to
