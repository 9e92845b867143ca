/** What is known of a kind of battery before it is measured. Tables are common practice, from memory; no standard says them. */

export type ChemistryName = 'lead-acid' | 'lifepo4'
export const chemistryNames: readonly ChemistryName[] = ['lead-acid', 'lifepo4']

/** Voltage of a rested battery at a charge, about 25 °C. */
export interface RestRow {
  readonly percent: number
  readonly volts: number
}

export interface Chemistry {
  readonly name: ChemistryName
  readonly words: string
  /** Volts of the pack that the table is of; packs of 24 V and more count as several in series. */
  readonly tableVolts: number
  readonly cells: number
  /** Rising. */
  readonly rest: readonly RestRow[]
  /** A rest voltage tells the charge so well, in points of percent: plus or minus. */
  readonly restErrorPoints: number
  /** Share of the charge put in that comes out again, and how far that may be wrong. */
  readonly chargeEfficiency: number
  readonly efficiencyError: number
  /** Share of the energy put in that comes out again. */
  readonly energyEfficiency: number
  /** Share of the capacity that each degree below 25 °C takes. */
  readonly coldLossPerCelsius: number
  readonly chargesBelowFreezing: boolean
  /** Full: at least these volts a cell at 25 °C while the current has fallen to the tail. */
  readonly fullCellVolts: number
  readonly fullVoltsPerCelsius: number
  /** Ah an hour, as a share of the capacity. */
  readonly tailShare: number
  /** Never spent on measurements, and where everything is switched off. */
  readonly reservePercent: number
  readonly cutOffPercent: number
}

const rows = (...pairs: readonly (readonly [number, number])[]): readonly RestRow[] =>
  pairs.map(([percent, volts]) => ({ percent, volts }))

export const chemistries: Readonly<Record<ChemistryName, Chemistry>> = {
  'lead-acid': {
    name: 'lead-acid',
    words: 'Lead-acid',
    tableVolts: 12,
    cells: 6,
    rest: rows(
      [0, 11.4],
      [10, 11.51],
      [20, 11.66],
      [30, 11.81],
      [40, 11.96],
      [50, 12.1],
      [60, 12.24],
      [70, 12.37],
      [80, 12.5],
      [90, 12.62],
      [100, 12.73],
    ),
    restErrorPoints: 10,
    chargeEfficiency: 0.87,
    efficiencyError: 0.05,
    energyEfficiency: 0.8,
    coldLossPerCelsius: 0.01,
    chargesBelowFreezing: true,
    fullCellVolts: 2.33,
    fullVoltsPerCelsius: -0.004,
    tailShare: 0.02,
    reservePercent: 50,
    cutOffPercent: 40,
  },
  lifepo4: {
    name: 'lifepo4',
    words: 'LiFePO4',
    tableVolts: 12.8,
    cells: 4,
    rest: rows(
      [0, 10],
      [10, 12.5],
      [20, 12.8],
      [30, 12.9],
      [40, 13],
      [50, 13.05],
      [60, 13.1],
      [70, 13.2],
      [80, 13.3],
      [90, 13.4],
      [100, 13.6],
    ),
    restErrorPoints: 15,
    chargeEfficiency: 0.985,
    efficiencyError: 0.01,
    energyEfficiency: 0.94,
    coldLossPerCelsius: 0.006,
    chargesBelowFreezing: false,
    fullCellVolts: 3.48,
    fullVoltsPerCelsius: 0,
    tailShare: 0.03,
    reservePercent: 30,
    cutOffPercent: 15,
  },
}

/** Charge in percent of a rested battery, between the rows; outside the table its ends. */
export function percentAtRest(table: readonly RestRow[], volts: number): number {
  const above = table.findIndex((row) => row.volts >= volts)
  if (above < 0) return table[table.length - 1].percent
  if (above === 0) return table[0].percent
  const [low, high] = [table[above - 1], table[above]]
  return low.percent + ((high.percent - low.percent) * (volts - low.volts)) / (high.volts - low.volts)
}

/** Why a table of one's own cannot be used; undefined when it can. Rows must rise in charge and in voltage. */
export function restTableProblem(table: readonly RestRow[]): string | undefined {
  if (table.length < 2) return 'a rest table needs two rows or more'
  const bad = table.findIndex(({ percent, volts }, i) => {
    const before = table[i - 1]
    return (
      !(percent >= 0 && percent <= 100 && volts > 0) ||
      (before && !(percent > before.percent && volts > before.volts))
    )
  })
  return bad < 0 ? undefined : `row ${bad + 1} of the rest table does not rise in percent and volts`
}

/** Share of the capacity that can be had at a temperature; never less than 0.4. */
export const capacityShare = (chemistry: Chemistry, celsius: number): number =>
  Math.max(0.4, Math.min(1, 1 - chemistry.coldLossPerCelsius * (25 - celsius)))

/**
 * Ah after a span of steady current, by counting: what goes in counts with the charge efficiency, what goes out as it is;
 * never below empty or above full.
 */
export function countCharge(
  ampereHours: number,
  amperes: number,
  hours: number,
  capacityAmpereHours: number,
  chargeEfficiency: number,
): number {
  const moved = amperes * hours * (amperes > 0 ? chargeEfficiency : 1)
  return Math.max(0, Math.min(capacityAmpereHours, ampereHours + moved))
}
