import { builtInRuleNames } from '../terms/terms.js'
import { choice, group, list, number, onOff, text } from './leaves.js'
import { pathShape, pathWords } from './patterns.js'

/** What settings say of the rules that a station has without being told, and of what these need to know. */

const mass = (words: string) => number(words, { least: 1, most: 10_000, unit: 'ug/m3' }).optional()

const change = group('A rule out of the box, and what is other about it here.', {
  rule: choice('Name of the rule; the README lists them.', builtInRuleNames),
  use: onOff('Whether it is used at all.').default(true),
  above: mass('For rules of particles: another level, ug/m3.'),
  back_at: mass('For rules of particles: over below this, ug/m3.'),
  after_min: number('For rules of troubles: raised when it has held so long.', {
    least: 0,
    most: 10_080,
    unit: 'minutes',
  }).optional(),
  priority: choice('How pressing it is.', ['low', 'normal', 'high']).optional(),
})

export const builtInAlertsList = list(
  'Rules out of the box that are switched off or changed, each at most once.',
  change,
  [0, builtInRuleNames.length],
  'rules',
).default([])

export const caseGroup = group('The case of the station.', {
  open_file: text(
    'File that reads 0 while the case is closed and another number while it is open (a switch at the door).',
    pathShape,
    pathWords,
  ).optional(),
}).prefault({})
