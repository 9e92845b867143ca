/** One day of a station beside one limit: its value under the day rule of the limit, the verdict, and the words for both. */
import { isHour, type DayFigure } from '../averages/averages.js'
import type { Basis } from '../terms/terms.js'
import { dayValue, type DayValue } from './day-value.js'
import type { Limit } from './kinds.js'
import { judge, type Figure, type Judgement, type Uncertainty } from './verdict.js'
import { dayWords, judgementWords } from './words.js'

/** What is known of the channel that a day belongs to. */
export interface ChannelFacts {
  readonly basis: Basis
  readonly uncertainty: Uncertainty
}

export interface DayJudgement {
  readonly day: DayValue
  readonly figure: Figure
  readonly judgement: Judgement
  /** '20 of 24 h: valid', and '36.2 against 35: above by arithmetic; too close to tell …'. */
  readonly words: readonly [string, string]
}

/** @param day of the channel of the limit; limits of other averaging times are not for days */
export function judgeDay(day: DayFigure, limit: Limit, facts: ChannelFacts): DayJudgement {
  const value = dayValue(
    day.hours.map((hour) => (isHour(hour) ? hour.mean : undefined)),
    limit.day,
  )
  const figure = { ...facts, atLeast: day.atLeast, value: value.valid ? value.value : undefined }
  const judgement = judge(figure, limit)
  return { day: value, figure, judgement, words: [dayWords(value), judgementWords(figure, judgement, limit)] }
}
