/** What stands beside the averages of a mass channel, as JSON: the same facts as the tables. */
import { isHour } from '../averages/averages.js'
import type { IndexOutcome, Limit, Uncertainty } from '../limits/limits.js'
import { verdictSentence, yearSentence } from './averages-beside-words.js'
import type { LimitDay, NowCastBeside } from './averages-beside.js'
import type { LimitYear } from './averages-years.js'
import type { SeriesFigures } from './averages.js'

const thousandths = (value: number | undefined): number | null =>
  value === undefined || Number.isNaN(value) ? null : Math.round(value * 1000) / 1000

export const uncertaintyJson = ({ source, relative, absolute }: Uncertainty) => ({
  source,
  percent: relative * 100,
  ug_m3: thousandths(absolute),
})

export const limitJson = (limit: Limit) => ({
  id: limit.id,
  title: limit.title,
  level: limit.level,
  averaging: limit.averaging,
  form: limit.formWords,
  document: limit.document,
  clause: limit.clause,
  from: limit.from ?? null,
  to: limit.to ?? null,
  evidence: limit.evidence,
})

export function limitDayJson(one: LimitDay, limit: Limit): Record<string, unknown> {
  const { day, judgement, words } = one.judged
  return {
    limit: limit.id,
    hours: day.hours,
    valid: day.valid,
    value: day.valid ? thousandths(day.value) : null,
    ...(day.valid ? { method: day.method } : { mean_so_far: thousandths(day.soFar) }),
    is_corrected: one.isCorrected,
    arithmetic: judgement.arithmetic ?? null,
    compared: thousandths(judgement.compared),
    interval: judgement.interval?.map(thousandths) ?? null,
    verdict: judgement.verdict,
    doubt: judgement.doubt ?? null,
    words: [words[0], verdictSentence(one, limit)],
  }
}

export const indexJson = (outcome: IndexOutcome) =>
  outcome.ok
    ? {
        index: outcome.value.index,
        category: outcome.value.category,
        concentration: outcome.value.concentration,
        above_table: outcome.value.aboveTable,
        document: outcome.value.table.document,
      }
    : { index: null, reason: outcome.reason }

export const nowCastJson = ({ figure, isCorrected, index }: NowCastBeside) => ({
  ...(figure.valid
    ? {
        value: thousandths(figure.value),
        cut: figure.cutValue,
        hours: figure.hours,
        weight: thousandths(figure.weight),
      }
    : { value: null, reason: figure.reason }),
  is_corrected: isCorrected,
  ...(index ? { index: indexJson(index) } : {}),
})

export const yearJson = (one: LimitYear) => ({
  limit: one.limit.id,
  ...one.figure,
  value: one.figure.value ?? null,
  complete: one.figure.complete ?? null,
  is_corrected: one.isCorrected,
  verdict: one.judgement?.verdict ?? null,
  arithmetic: one.judgement?.arithmetic ?? null,
  ...(one.days ? { days_above: one.days } : {}),
  words: yearSentence(one),
})

export const hourOfDayJson = ({ days }: SeriesFigures) =>
  Array.from({ length: 24 }, (_, hour) => {
    const all = days.map((day) => day.hours[hour])
    const [used, planned] = (['usedSeconds', 'plannedSeconds'] as const).map((key) =>
      all.reduce((sum, one) => sum + one[key], 0),
    )
    return {
      hour,
      data_capture_percent: planned > 0 ? Math.round(Math.min(1, used / planned) * 1000) / 10 : null,
      sampled_share_percent: Math.round((used / (3600 * Math.max(1, all.length))) * 1000) / 10,
      counting: all.filter(isHour).length,
      days: all.length,
    }
  })
