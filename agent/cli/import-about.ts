/**
 * What an imported series is of, beside its figures: the unit it comes from, the mass output, whether a channel is inferred,
 * and whether it is a sensor or a reference instrument. It stands with each channel in the headings of the series file:
 *
 *   pm2_5 (ug/m3; unit A-1; atmospheric)      pm10 (ug/m3; reference; uncertainty 10 %)      pm10 (ug/m3; inferred)
 *
 * A file without any of it is of a sensor of which nothing more is known. Optical sensors, which most logs are of, count hardly
 * any coarse particle and infer PM4 and PM10 from finer ones: so these are inferred until somebody says 'measured' or 'reference'.
 */
import type { Uncertainty } from '../limits/limits.js'
import { isMass, type Basis, type Scaling } from '../terms/terms.js'
import { wrongUse, type Opened } from './desk.js'

export interface SeriesAbout {
  readonly serial?: string
  readonly scaling?: Scaling
  readonly basis: Basis
  /** Of a reference instrument; a sensor's comes from a side-by-side run. */
  readonly uncertainty?: Uncertainty
}

export interface AboutOptions {
  readonly serial?: string
  readonly scaling?: string
  readonly inferred?: readonly string[]
  readonly measured?: readonly string[]
  readonly instrument?: string
  readonly uncertainty?: string
}

const serialShape = /^[A-Za-z0-9][A-Za-z0-9 ._:/-]{0,63}$/
const scalings: readonly string[] = ['atmospheric', 'standard-particle'] satisfies Scaling[]

/** @returns by channel */
export function readAbout(options: AboutOptions): Opened<(channel: string) => SeriesAbout> {
  const { serial, scaling, inferred = [], measured = [], instrument = 'sensor', uncertainty } = options
  if (serial !== undefined && !serialShape.test(serial))
    return wrongUse(`--serial ${serial}: letters, digits, blanks and . _ : / -, at most 64`)
  if (scaling !== undefined && !scalings.includes(scaling))
    return wrongUse(`--scaling ${scaling}: expected ${scalings.join(' or ')}`)
  for (const [name, channels] of Object.entries({ '--inferred': inferred, '--measured': measured })) {
    const noMass = channels.find((channel) => !isMass(channel))
    if (noMass !== undefined) return wrongUse(`${name} ${noMass}: expected a mass, such as pm10`)
  }
  const both = inferred.find((channel) => measured.includes(channel))
  if (both !== undefined) return wrongUse(`${both} cannot be both --inferred and --measured`)
  if (instrument !== 'sensor' && instrument !== 'reference')
    return wrongUse(`--instrument ${instrument}: expected sensor or reference`)
  const isReference = instrument === 'reference'
  if (uncertainty !== undefined && !isReference)
    return wrongUse(
      '--uncertainty is stated for --instrument reference; that of a sensor comes from a side-by-side run (collocate --write)',
    )
  const percent = Number(uncertainty ?? 0)
  if (!(percent >= 0 && percent <= 100)) return wrongUse(`--uncertainty ${uncertainty}: percent, 0 to 100`)
  const scaled = scaling === undefined ? {} : { scaling: scaling as Scaling }
  const basisOf = (channel: string): Basis => {
    if (inferred.includes(channel)) return 'inferred'
    return isReference || measured.includes(channel) ? 'measured' : usualBasis(channel)
  }
  const of = (channel: string): SeriesAbout => ({
    ...(serial === undefined ? {} : { serial }),
    ...(isMass(channel) ? scaled : {}),
    basis: basisOf(channel),
    ...(isReference && isMass(channel) ? { uncertainty: ofReference(percent) } : {}),
  })
  return { ok: true, value: of }
}

/** What optical sensors infer. */
const coarse: readonly string[] = ['pm4', 'pm10']
const isCoarse = (channel: string): boolean => coarse.includes(channel.split('.')[0])

const usualBasis = (channel: string): Basis => (isCoarse(channel) ? 'inferred' : 'measured')

/** Channels that count as inferred because nobody said otherwise. */
export const takenAsInferred = (
  channels: readonly string[],
  abouts: readonly SeriesAbout[],
  { inferred = [] }: Pick<AboutOptions, 'inferred'>,
): string[] => channels.filter((channel, i) => abouts[i].basis === 'inferred' && !inferred.includes(channel))

const ofReference = (percent: number): Uncertainty => ({
  ...{ relative: percent / 100, absolute: 0, source: 'reference' },
})

/** What stands behind the unit of measure in a heading. */
export function aboutText(channel: string, { serial, scaling, basis, uncertainty }: SeriesAbout): string {
  const percent = uncertainty ? Number((uncertainty.relative * 100).toPrecision(12)) : 0
  return [
    ...(serial === undefined ? [] : [`unit ${serial}`]),
    ...(scaling === undefined ? [] : [scaling]),
    ...(basis === 'inferred' || (isCoarse(channel) && !uncertainty) ? [basis] : []),
    ...(uncertainty ? ['reference'] : []),
    ...(percent > 0 ? [`uncertainty ${percent} %`] : []),
  ]
    .map((part) => `; ${part}`)
    .join('')
}

/** Reads a heading; parts that are not known are left alone. */
export function aboutOf(heading: string): SeriesAbout {
  const [what, ...parts] = heading.replace(/\)$/, '').split('; ')
  const after = (word: string): string | undefined =>
    parts.find((part) => part.startsWith(word))?.slice(word.length)
  const serial = after('unit ')
  const scaling = parts.find((part) => scalings.includes(part)) as Scaling | undefined
  const percent = parseFloat(after('uncertainty ') ?? '0')
  const isSure = parts.includes('measured') || parts.includes('reference')
  const basis = parts.includes('inferred') ? 'inferred' : isSure ? 'measured' : usualBasis(what.split(' ')[0])
  return {
    ...(serial === undefined ? {} : { serial }),
    ...(scaling === undefined ? {} : { scaling }),
    basis,
    ...(parts.includes('reference') ? { uncertainty: ofReference(percent || 0) } : {}),
  }
}
