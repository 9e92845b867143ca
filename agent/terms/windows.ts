/** The averaging windows, and what a figure over one of them always carries with it. */
export const windowNames = ['1-min', '10-min', '1-h', '24-h'] as const
export type WindowName = (typeof windowNames)[number]

export const windowSeconds: Readonly<Record<WindowName, number>> = {
  '1-min': 60,
  '10-min': 600,
  '1-h': 3600,
  '24-h': 86_400,
}

export interface Average {
  /** NaN when nothing in the window was used. */
  readonly mean: number
  readonly usedSeconds: number
  readonly plannedSeconds: number
  /** Length of the records in the window; less than the window after a start, a gap or a change of unit. Absent: all of it. */
  readonly recordedSeconds?: number
  readonly windowSeconds: number
  /** used / planned, 0 to 1; 0 when nothing was planned. */
  readonly dataCapture: number
  /** used / whole window, 0 to 1. */
  readonly sampledShare: number
  /** A part of the window was over range: the mean is 'at least'. */
  readonly atLeast: boolean
}
