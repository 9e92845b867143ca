import { alertWord, type Alert, type AlertChange } from '../alerts/alerts.js'
import { numberText, utcText, type Average, type UtcMillis } from '../terms/terms.js'
import type { LastChange } from './restart.js'

const percent = (share: number): number => Math.round(share * 1000) / 10

/** An average as others see it: the figure never travels without its data capture and sampled share. */
export function averageJson(average: Average, decimals: number): Record<string, unknown> {
  return {
    mean: Number.isNaN(average.mean) ? null : Number(numberText(average.mean, decimals)),
    ...(average.atLeast ? { at_least: true } : {}),
    data_capture_percent: percent(average.dataCapture),
    sampled_share_percent: percent(average.sampledShare),
  }
}

/**
 * The details of an alert's event line, and of its restart.
 * @param beside what else people are told with it: since when, the humidity
 */
export function alertDetails(
  change: AlertChange,
  decimals: number,
  beside: Readonly<Record<string, string>> = {},
): Record<string, string> {
  const { rule, average } = change
  return {
    rule: rule.rule,
    state: change.to,
    channel: rule.channel,
    average: rule.average,
    value: `${average.atLeast ? 'at least ' : ''}${numberText(average.mean, decimals)}`,
    [rule.direction]: String(rule.level),
    back_at: String(rule.backAt),
    priority: rule.priority,
    ...beside,
    data_capture_percent: numberText(average.dataCapture * 100, 0),
    sampled_share_percent: numberText(average.sampledShare * 100, 0),
  }
}

/**
 * The retained message of a rule: its present state, when it last changed and on what figure. Without enough data the
 * state is 'unknown', beside what it was: no data is not all clear. Where the sampling plan lets the sensor sleep the state
 * stays, and `asleep_by_plan` says so. During a visit `quiet` says why nothing is raised.
 */
export function alertJson(
  alert: Alert,
  unit: string,
  change: LastChange | undefined,
  { quiet, unknownUtc }: { readonly quiet?: string; readonly unknownUtc?: UtcMillis } = {},
): Record<string, unknown> {
  const { rule, unknownSince } = alert
  const state = alert.state === 'raised' || change ? alertWord(rule, alert.state) : 'never raised'
  return {
    v: 1,
    rule: rule.rule,
    ...(unknownSince === undefined
      ? { state }
      : {
          state: 'unknown',
          was: state,
          unknown_since: unknownUtc === undefined ? 'the clock was not trusted' : utcText(unknownUtc),
        }),
    ...(alert.asleepByPlan ? { asleep_by_plan: true } : {}),
    ...(quiet === undefined ? {} : { quiet }),
    priority: rule.priority,
    watches: `${rule.channel} ${rule.average} mean ${rule.direction} ${rule.level} ${unit}`,
    ...(change
      ? {
          value: change.details.value,
          data_capture_percent: Number(change.details.data_capture_percent),
          sampled_share_percent: Number(change.details.sampled_share_percent),
          ...(change.utc === undefined ? {} : { at: utcText(change.utc) }),
        }
      : {}),
  }
}

/**
 * Health travels over metered links: reasons nothing was refused or marked for are left out of it.
 * @param value anything that JSON takes; `refused` and `marked` hold counts by reason.
 */
export function withoutZeroReasons(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(withoutZeroReasons)
  if (typeof value !== 'object' || value === null) return value
  return Object.fromEntries(
    Object.entries(value).map(([key, inner]) => [
      key,
      key === 'refused' || key === 'marked' ? nonZero(inner as object) : withoutZeroReasons(inner),
    ]),
  )
}

const nonZero = (counts: object): object =>
  Object.fromEntries(Object.entries(counts).filter(([, count]) => count !== 0))

export const json = (value: unknown): Uint8Array => new TextEncoder().encode(JSON.stringify(value))
