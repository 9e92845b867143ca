/** Which stations are set beside one: those nearest to it, as far as the register holds where they stand. */
export interface Place {
  readonly latitude: number
  readonly longitude: number
}

const radians = (degrees: number): number => (degrees * Math.PI) / 180

/** Along a great circle, as the angle between the two. */
export function angleBetween(a: Place, b: Place): number {
  const [north, east] = [radians(b.latitude - a.latitude), radians(b.longitude - a.longitude)]
  const cosines = Math.cos(radians(a.latitude)) * Math.cos(radians(b.latitude))
  const half = Math.sin(north / 2) ** 2 + cosines * Math.sin(east / 2) ** 2
  return 2 * Math.asin(Math.min(1, Math.sqrt(half)))
}

/** The nearest first; then, and where its own place is unknown all, those that follow it by name. @param all by name */
export function neighboursOf<T extends { readonly name: string }>(
  all: readonly T[],
  one: T,
  places: ReadonlyMap<string, Place>,
  most: number,
): readonly T[] {
  const at = all.indexOf(one)
  const own = places.get(one.name)
  const angle = ({ name }: T): number => {
    const place = places.get(name)
    return own && place ? angleBetween(own, place) : Math.PI * 2
  }
  const others = [...all.slice(at + 1), ...all.slice(0, at)]
  return others.sort((a, b) => angle(a) - angle(b)).slice(0, most)
}
