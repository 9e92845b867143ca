import type { Scaling } from '../terms/terms.js'
import type { LimitChannel } from './kinds.js'

export const scalingNames: readonly Scaling[] = ['atmospheric', 'standard-particle']

export type CorrectionForm =
  /** corrected = intercept + slope x value. */
  | { readonly kind: 'linear'; readonly intercept: number; readonly slope: number }
  /** … + perHumidity x %RH. */
  | {
      readonly kind: 'linear-humidity'
      readonly intercept: number
      readonly slope: number
      readonly perHumidity: number
    }
  /** value / (1 + (kappa / dryDensity) / (100 / %RH - 1)), density in g/cm³. */
  | { readonly kind: 'growth'; readonly kappa: number; readonly dryDensity: number }

export interface Correction {
  readonly name: string
  readonly channel: LimitChannel
  /** Serial number of the one unit it belongs to. */
  readonly serial: string
  /** The mass output it was made for; absent where the sensor has only one. */
  readonly scaling?: Scaling
  readonly form: CorrectionForm
  /** Raw values it holds for, µg/m³, both ends included. */
  readonly lowest: number
  readonly highest: number
  readonly mostHumidityPercent: number
  /** Day it was made, 'YYYY-MM-DD'. */
  readonly made: string
  /** The run or the publication behind it. */
  readonly source: string
}
