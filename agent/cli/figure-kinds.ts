/** What kinds of figures `explain` knows, by the word that names each. */
export const figureKinds = {
  'ten-minutes': 'mean of 10 min, by its start',
  hour: 'mean of an hour, by its start',
  rolling24: 'mean of the 24 hours that end with the hour of this start',
  nowcast: 'NowCast and its index at the hour of this start',
  day: 'a day with its verdicts and index: 2026-03-01',
  year: 'a calendar year beside its limits: 2026',
  days: 'mean of the valid days of a time: 2026-03-01 2026-03-31',
  span: "hours between two times: '2026-03-01 08:00' '2026-03-01 14:00'",
} as const
export type FigureKind = keyof typeof figureKinds
