/**
 * Hours (and shorter means) from block sums: which are full, which are sampled, and what each mean stands on.
 *
 * A full hour has at least 45 min used: its mean weighs each used second alike. A sampled hour has at least 12 min used in
 * four quarter-hours, at least one minute in each: its mean weighs the quarter-hours alike, so that none that ran longer
 * speaks for the others. Anything less is no hour: what it has is a mean so far. (45 of 60 min is the 75 % of 40 CFR 50
 * App. N and Directive (EU) 2024/2881 Annex V taken to minutes; 12 min and 1 min are common practice, no source.)
 */
import type { Block, BlockSums, StandardMillis } from './blocks.js'

export const hourRules = {
  fullSeconds: 45 * 60,
  sampledSeconds: 12 * 60,
  quarterSeconds: 60,
} as const

export type PeriodKind = 'full' | 'sampled' | 'short' | 'empty'

/** A mean over a stretch of local standard time and what it stands on. */
export interface PeriodFigure {
  readonly from: StandardMillis
  readonly seconds: number
  /** 'short': too little for a figure of this length; `mean` is what there is so far. */
  readonly kind: PeriodKind
  /** NaN where nothing was used. */
  readonly mean: number
  /** Mean and seconds of what carries no warning; NaN where there is none. */
  readonly meanUnmarked: number
  readonly unmarkedSeconds: number
  readonly usedSeconds: number
  readonly plannedSeconds: number
  /** used / planned, 0 to 1. */
  readonly dataCapture: number
  /** used / whole length, 0 to 1. */
  readonly sampledShare: number
  /** A part was over range: the mean is 'at least'. */
  readonly atLeast: boolean
  /** More time was recorded than there is: the clock was set back, and two records lie over each other. */
  readonly doubled: boolean
}

const hourMillis = 3_600_000
const quarters = 4
export const quarterHourSeconds = 900
/** Rounded edges of records make a second or two too much here and there. */
const doubledGraceSeconds = 5

/** @param sums of quarter-hours */
export function hourAt(sums: BlockSums, from: StandardMillis): PeriodFigure {
  const blocks = Array.from({ length: quarters }, (_, i) => sums.at(from + i * quarterHourSeconds * 1000))
  const figure = periodOf(blocks, from, hourMillis / 1000)
  if (figure.usedSeconds >= hourRules.fullSeconds) return { ...figure, kind: 'full' }
  const isSampled =
    figure.usedSeconds >= hourRules.sampledSeconds &&
    blocks.every((block) => block.usedSeconds >= hourRules.quarterSeconds)
  if (!isSampled) return figure
  const mean = blocks.reduce((sum, block) => sum + block.sum / block.usedSeconds, 0) / quarters
  return { ...figure, kind: 'sampled', mean, meanUnmarked: sampledUnmarked(blocks) }
}

/** Alike for what carries no warning: quarter-hours count alike, but only when each of them has some of it. */
function sampledUnmarked(blocks: readonly Block[]): number {
  const least = hourRules.quarterSeconds
  if (!blocks.every((block) => block.unmarkedSeconds >= least)) return NaN
  return blocks.reduce((sum, block) => sum + block.unmarkedSum / block.unmarkedSeconds, 0) / quarters
}

/** Share of the used seconds below which a 10-min mean is 'short': 75 %, as for hours. */
const blockShare = 0.75

/** @param sums of blocks of the wanted length */
export function blockAt(sums: BlockSums, from: StandardMillis): PeriodFigure {
  const figure = periodOf([sums.at(from)], from, sums.blockSeconds)
  return figure.usedSeconds >= blockShare * sums.blockSeconds ? { ...figure, kind: 'full' } : figure
}

function periodOf(blocks: readonly Block[], from: StandardMillis, seconds: number): PeriodFigure {
  const total = totalOf(blocks)
  const { usedSeconds, plannedSeconds, unmarkedSeconds } = total
  return {
    from,
    seconds,
    kind: usedSeconds > 0 ? 'short' : 'empty',
    mean: usedSeconds > 0 ? total.sum / usedSeconds : NaN,
    meanUnmarked: unmarkedSeconds > 0 ? total.unmarkedSum / unmarkedSeconds : NaN,
    unmarkedSeconds,
    usedSeconds,
    plannedSeconds,
    dataCapture: plannedSeconds > 0 ? Math.min(1, usedSeconds / plannedSeconds) : 0,
    sampledShare: Math.min(1, usedSeconds / seconds),
    atLeast: total.over,
    doubled: total.recordedSeconds > seconds + doubledGraceSeconds,
  }
}

function totalOf(blocks: readonly Block[]): Block {
  const total = { recordedSeconds: 0, plannedSeconds: 0, usedSeconds: 0, sum: 0 }
  const unmarked = { unmarkedSeconds: 0, unmarkedSum: 0 }
  let over = false
  for (const block of blocks) {
    total.recordedSeconds += block.recordedSeconds
    total.plannedSeconds += block.plannedSeconds
    total.usedSeconds += block.usedSeconds
    total.sum += block.sum
    unmarked.unmarkedSeconds += block.unmarkedSeconds
    unmarked.unmarkedSum += block.unmarkedSum
    over ||= block.over
  }
  return { ...total, ...unmarked, over }
}

/** Gives the hour that begins at a time. */
export type HourOf = (from: StandardMillis) => PeriodFigure

/** Hours of sums to which nothing is added any more, each worked out once: rolling means ask for each 24 times. */
export function keptHours(sums: BlockSums): HourOf {
  const kept = new Map<StandardMillis, PeriodFigure>()
  return (from) => {
    let hour = kept.get(from)
    if (!hour) kept.set(from, (hour = hourAt(sums, from)))
    return hour
  }
}

/** Full or sampled: it may enter a day. */
export const isHour = ({ kind }: PeriodFigure): boolean => kind === 'full' || kind === 'sampled'
