import { expect, it } from 'vitest'
import { withoutZeroReasons } from '../../agent/station/messages.js'

it('health leaves out reasons nothing was refused or marked for, and no other zero', () => {
  const health = {
    power: { battery_current: 0 },
    instruments: [
      {
        losses: 0,
        decoder: { taken: 9, given: 9, held: 0, refused: { 'bad-checksum': 0 } },
        marked: { fog: 3, spike: 0 },
      },
    ],
    site: null,
    uplink: { lines: { refused: { 'no-line': 2, unbuildable: 0 } } },
  }
  expect(withoutZeroReasons(health)).toEqual({
    power: { battery_current: 0 },
    instruments: [{ losses: 0, decoder: { taken: 9, given: 9, held: 0, refused: {} }, marked: { fog: 3 } }],
    site: null,
    uplink: { lines: { refused: { 'no-line': 2 } } },
  })
})
