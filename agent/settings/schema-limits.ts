import { choice, group, list, number, text } from './leaves.js'
import { anyWords, pathShape, pathWords, plainText } from './patterns.js'

const shape = /^[a-z0-9][a-z0-9_-]{1,47}$/
const shapeWords = '2 to 48 of a-z, 0-9, - and _'

const ownLevel = group('One action level.', {
  name: text('Name of the level, unique.', shape, shapeWords),
  channel: choice('Which mass it is for.', ['pm1', 'pm2_5', 'pm10']),
  level: number('Above this it is passed.', { least: 0, most: 100_000, unit: 'ug/m3' }),
  averaging: choice('Over which time.', ['24-hour', 'annual']),
  document: text('Where it comes from.', plainText, anyWords).optional(),
  note: text('What else is to be said of it.', plainText, anyWords).optional(),
})

/** Which published and own limits figures at the desk are set beside; `limits` reads the levels themselves. */
export const limitsSchema = group('Limits that figures are set beside, and corrections.', {
  set: text('Name of a set: a file in config/limits without .yaml.', shape, shapeWords).optional(),
  own: list('Action levels of your own, up to 16.', ownLevel, [0, 16], 'levels').default([]),
  correction_files: list(
    'Corrections that collocate wrote, one for each unit.',
    text('Path of a file.', pathShape, pathWords),
    [0, 16],
    'files',
  ).default([]),
})
