import { describe, expect, it } from 'vitest'
import { angleBetween, neighboursOf } from '../../agent/cli/neighbours.js'

const all = ['bank', 'gate', 'harbour', 'lane', 'quarry'].map((name) => ({ name }))
const place = (latitude: number, longitude: number) => ({ latitude, longitude })
const names = (of: string, places: Parameters<typeof neighboursOf>[2], most = 8) =>
  neighboursOf(
    all,
    all.find(({ name }) => name === of)!,
    places,
    most,
  ).map(({ name }) => name)

describe('the neighbours of a station', () => {
  it('are the nearest, over the date line and near a pole too, then those without a place by name', () => {
    const places = new Map([
      ['gate', place(10, 179.9)],
      ['bank', place(10, 179)],
      ['quarry', place(10, -179.9)],
      ['lane', place(-10, 179.9)],
    ])
    expect(names('gate', places)).toEqual(['quarry', 'bank', 'lane', 'harbour'])
    expect(names('gate', places, 2)).toEqual(['quarry', 'bank'])
    const polar = new Map([
      ['gate', place(89, 0)],
      ['harbour', place(80, 0)],
      ['quarry', place(89, 90)],
    ])
    expect(names('gate', polar)).toEqual(['quarry', 'harbour', 'lane', 'bank'])
  })

  it('follow by name where nothing is known of its own place', () => {
    expect(names('harbour', new Map([['bank', place(1, 1)]]))).toEqual(['lane', 'quarry', 'bank', 'gate'])
  })

  it('lie a quarter of the circle from a pole to the equator', () => {
    expect(angleBetween(place(90, 0), place(0, 77))).toBeCloseTo(Math.PI / 2, 10)
    expect(angleBetween(place(0, -90), place(0, 90))).toBeCloseTo(Math.PI, 10)
  })
})
