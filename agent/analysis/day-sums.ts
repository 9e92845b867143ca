/**
 * Least squares over days that are drawn again and again: sums are made once for each day, about the means of all, so that a
 * resampled line costs a few additions a day and loses no digits.
 */
import { meanOf } from './spread.js'

export interface SumsOf {
  readonly x: readonly number[]
  readonly y: readonly number[]
  /** A second predictor, where there is one. */
  readonly h?: readonly number[]
}

export interface DrawnLine {
  readonly slope: number
  readonly intercept: number
  /** Sum of squares that the line leaves. */
  readonly left: number
}

export interface DrawnPlane extends DrawnLine {
  readonly perHumidity: number
}

/** n, x, y, xx, xy, yy, h, hh, xh, hy. */
const width = 10
/** A predictor that varies by less than this share of its scale, or follows the other, tells nothing. */
const tooFlat = 1e-12

export class DaySums {
  private readonly sums: Float64Array
  private readonly middle: { readonly x: number; readonly y: number; readonly h: number }
  private readonly total = new Float64Array(width)

  constructor(days: readonly SumsOf[]) {
    const mean = (of: (day: SumsOf) => readonly number[]): number => meanOf(days.flatMap(of)) || 0
    this.middle = { x: mean((day) => day.x), y: mean((day) => day.y), h: mean((day) => day.h ?? []) }
    this.sums = new Float64Array(days.length * width)
    days.forEach(({ x, y, h }, day) => {
      for (let i = 0; i < x.length; i++) this.add(day * width, x[i], y[i], h ? h[i] : this.middle.h)
    })
  }

  private add(at: number, xGiven: number, yGiven: number, hGiven: number): void {
    const { sums, middle } = this
    const [x, y, h] = [xGiven - middle.x, yGiven - middle.y, hGiven - middle.h]
    const more = [1, x, y, x * x, x * y, y * y, h, h * h, x * h, h * y]
    for (let i = 0; i < width; i++) sums[at + i] += more[i]
  }

  private totalOf(draw: readonly number[], used: number): Float64Array {
    const { sums, total } = this
    total.fill(0)
    for (const day of draw) for (let i = 0, at = day * width; i < used; i++) total[i] += sums[at + i]
    return total
  }

  /** y on x over the days drawn. Undefined where either does not vary. */
  line(draw: readonly number[]): DrawnLine | undefined {
    const [n, x, y, xx, xy, yy] = this.totalOf(draw, 6)
    const [vxx, vxy, vyy] = [xx - (x * x) / n, xy - (x * y) / n, yy - (y * y) / n]
    if (!(vxx > xx * tooFlat) || !(vyy > yy * tooFlat)) return undefined
    const slope = vxy / vxx
    const intercept = this.middle.y + y / n - slope * (this.middle.x + x / n)
    return { slope, intercept, left: Math.max(0, vyy - slope * vxy) }
  }

  /** y on x and h over the days drawn. Undefined where one does not vary or follows the other. */
  plane(draw: readonly number[]): DrawnPlane | undefined {
    const [n, x, y, xx, xy, yy, h, hh, xh, hy] = this.totalOf(draw, width)
    const [vxx, vxy, vyy] = [xx - (x * x) / n, xy - (x * y) / n, yy - (y * y) / n]
    const [vhh, vxh, vhy] = [hh - (h * h) / n, xh - (x * h) / n, hy - (h * y) / n]
    const determinant = vxx * vhh - vxh * vxh
    if (!(determinant > vxx * vhh * tooFlat) || !(vyy > yy * tooFlat)) return undefined
    const slope = (vxy * vhh - vhy * vxh) / determinant
    const perHumidity = (vhy * vxx - vxy * vxh) / determinant
    const { middle } = this
    const intercept = middle.y + y / n - slope * (middle.x + x / n) - perHumidity * (middle.h + h / n)
    return { slope, perHumidity, intercept, left: Math.max(0, vyy - slope * vxy - perHumidity * vhy) }
  }
}
