/** The uncertainty that is left after a side-by-side run: from the interval that the file of the correction tells. */
import { middleOf } from './corrections.js'
import type { Correction, CorrectionRun, FormInterval } from './correction-kinds.js'
import { notCompared, type Uncertainty } from './verdict.js'

/**
 * Half the width of the corrected value's 95 % interval at a raw value: between two levels of the file in proportion, beyond
 * the outermost the widest of all. ±50 % where the file tells no levels.
 * @param raw µg/m³
 * @param atUtc of the figure, for a file of several runs: the widest of those that correct it
 */
export function uncertaintyAfter(correction: Correction, raw: number, atUtc = NaN): Uncertainty {
  const halves = runsFor(correction, atUtc).map(({ interval }) => halfWidthAt(interval, raw))
  if (halves.length === 0 || halves.some((half) => half === undefined)) return notCompared
  return { relative: 0, absolute: Math.max(...(halves as number[])), source: 'side-by-side' }
}

function runsFor({ run, earlier, form }: Correction, atUtc: number): readonly CorrectionRun[] {
  if (!run) return []
  const newest = { ...run, form }
  if (!earlier || earlier.apply === 'last') return [newest]
  if (earlier.apply === 'first') return [earlier.runs[0]]
  const runs = [...earlier.runs, newest]
  const after = runs.findIndex((one) => middleOf(one) >= atUtc)
  return after <= 0 ? [after < 0 ? newest : runs[0]] : runs.slice(after - 1, after + 1)
}

function halfWidthAt(interval: FormInterval | undefined, raw: number): number | undefined {
  const levels = [...(interval?.levels ?? [])].sort((a, b) => a.raw - b.raw)
  if (levels.length === 0) return undefined
  const half = (i: number): number => (levels[i].interval[1] - levels[i].interval[0]) / 2
  const above = levels.findIndex((level) => level.raw >= raw)
  if (above >= 0 && levels[above].raw === raw) return half(above)
  if (above <= 0) return Math.max(...levels.map((_, i) => half(i)))
  const share = (raw - levels[above - 1].raw) / (levels[above].raw - levels[above - 1].raw)
  return half(above - 1) + share * (half(above) - half(above - 1))
}
