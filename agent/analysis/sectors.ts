/**
 * From where high values come: the share of each wind sector's values that are above one threshold (conditional probability
 * function; Ashbaugh, Malm and Sadeh 1985, Atmos. Environ. 19, 1263-1270). Small numbers mean nothing: show them.
 */
export interface WindRecord {
  /** Where the wind comes from, degrees clockwise from north; 360 is 0. */
  readonly fromDegrees: number
  /** m/s. */
  readonly speed: number
  readonly value: number
}

export interface SectorShares {
  /** Records below the calm limit: they have no direction. */
  readonly calm: number
  /** By sector, the first centred on north, clockwise. */
  readonly records: readonly number[]
  readonly above: readonly number[]
  /** Undefined where a sector has no record, which is not a share of zero. */
  readonly shares: readonly (number | undefined)[]
}

/** @param threshold one for all sectors; strictly above counts */
export function sectorShares(
  winds: readonly WindRecord[],
  threshold: number,
  { sectors, calmBelow }: { readonly sectors: number; readonly calmBelow: number },
): SectorShares {
  const records = Array<number>(sectors).fill(0)
  const above = Array<number>(sectors).fill(0)
  let calm = 0
  for (const { fromDegrees, speed, value } of winds) {
    if (speed < calmBelow) {
      calm++
      continue
    }
    const sector = sectorOf(fromDegrees, sectors)
    records[sector]++
    if (value > threshold) above[sector]++
  }
  return { calm, records, above, shares: records.map((n, i) => (n > 0 ? above[i] / n : undefined)) }
}

/** Index of a direction; a sector holds its lower edge. */
export function sectorOf(fromDegrees: number, sectors: number): number {
  const width = 360 / sectors
  const turned = (((fromDegrees + width / 2) % 360) + 360) % 360
  return Math.floor(turned / width) % sectors
}
