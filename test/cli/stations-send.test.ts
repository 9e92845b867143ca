import { expect, it } from 'vitest'
import { detailsIn } from '../../agent/cli/stations-send.js'

it('details of a command: numbers of lines are numbers, times of the site log stay as they were written', () => {
  expect(detailsIn(['from=1', 'to=500'])).toEqual({ from: 1, to: 500 })
  expect(detailsIn(['hours=1.5', 'what=dust'])).toEqual({ hours: 1.5, what: 'dust' })
  const swapped = ['kind=swapped', 'from=2026-03-01T13:50+01:00', 'old_serial=00417', 'new_serial=00533']
  expect(detailsIn(swapped)).toEqual({
    ...{ kind: 'swapped', from: '2026-03-01T13:50+01:00' },
    ...{ old_serial: '00417', new_serial: '00533' },
  })
  expect(detailsIn(['hours=', 'to=now'])).toEqual({ hours: '', to: 'now' })
  expect(detailsIn(['dust'])).toBe('dust: expected name=value')
})
