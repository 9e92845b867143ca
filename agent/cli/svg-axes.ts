/** Axes of drawings, and the files that drawings go to. */
import { mkdirSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { wrongUse, type Opened } from './desk.js'
import type { Axis } from './svg.js'

/** From below the least to above the most, in steps of 1, 2 or 5 of a power of ten. */
export function numberAxis(title: string, values: readonly number[], zero = true): Axis {
  const known = values.filter(Number.isFinite)
  let low = known.reduce((a, b) => Math.min(a, b), zero ? 0 : Infinity)
  let high = known.reduce((a, b) => Math.max(a, b), zero ? 0 : -Infinity)
  if (!(high > low)) [low, high] = [Number.isFinite(low) ? low - 1 : 0, Number.isFinite(low) ? low + 1 : 1]
  const rough = (high - low) / 6
  const power = 10 ** Math.floor(Math.log10(rough))
  const step = [1, 2, 5, 10].map((by) => by * power).find((one) => one >= rough) ?? 10 * power
  const [first, last] = [Math.floor(low / step), Math.ceil(high / step)]
  const places = Math.max(0, -Math.floor(Math.log10(step)))
  const ticks = Array.from({ length: last - first + 1 }, (_, i) => (first + i) * step)
  return {
    title,
    low: first * step,
    high: last * step,
    ticks: ticks.map((at) => ({ at, label: (at === 0 ? 0 : at).toFixed(places) })),
  }
}

const dayMillis = 86_400_000

/** Days since 1970, the last one whole; labels no nearer than a thumb. */
export function dayAxis(title: string, first: number, last: number): Axis {
  const days = last + 1 - first
  const step = [1, 2, 7, 14, 30.4375, 61, 91.3, 182.6, 365.25].find((one) => days / one <= 7) ?? 730.5
  const isMonthly = step > 28
  const ticks: { at: number; label: string }[] = []
  for (let i = 0; first + i * step <= last + 0.5; i++) {
    const day = new Date(Math.round(first + i * step) * dayMillis)
    if (isMonthly) day.setUTCDate(1)
    const at = day.getTime() / dayMillis
    if (at >= first && at !== ticks[ticks.length - 1]?.at)
      ticks.push({ at, label: day.toISOString().slice(0, 10) })
  }
  return { title, low: first, high: last + 1, ticks }
}

/** Writes drawings into a folder, which is made where it is missing. @returns their paths */
export function writeDrawings(
  folder: string,
  drawings: readonly { readonly name: string; readonly svg: string }[],
  force: boolean,
): Opened<readonly string[]> {
  try {
    mkdirSync(folder, { recursive: true })
  } catch (error) {
    return { ok: false, code: 1, words: `${folder} cannot be made: ${(error as Error).message}` }
  }
  const written: string[] = []
  for (const { name, svg } of drawings) {
    const file = join(folder, `${name.replace(/[^A-Za-z0-9._-]+/g, '-')}.svg`)
    try {
      writeFileSync(file, svg, { flag: force ? 'w' : 'wx' })
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException
      if (code === 'EEXIST') return wrongUse(`${file} is there already; --force writes over it`)
      return { ok: false, code: 1, words: `${file} cannot be written: ${message}` }
    }
    written.push(file)
  }
  return { ok: true, value: written }
}
