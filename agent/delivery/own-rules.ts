import type { Notice } from './contracts.js'

/** Messages that belong to no alert. */
export const ownRules = { summary: 'summary', daily: 'daily', test: 'test' } as const

/** Neither muted nor held up by a flood: its absence would be an alarm. */
export const isDaily = ({ rule }: Notice): boolean => rule === ownRules.daily

/** Where the fate of a summary is noted: one for each of the two floods. */
export const summaryKey = (isHigh: boolean): string => (isHigh ? 'summary-high' : ownRules.summary)
