import { mkdirSync, mkdtempSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { loadCorrection, loadLimitSet, loadLimitSets, limitsFolder } from '../../agent/cli/limits-files.js'
import {
  correctionPlain,
  indexSet,
  limitsInForce,
  readLimitSet,
  readOwnLimits,
  shownLimits,
} from '../../agent/limits/limits.js'
import { stringify } from 'yaml'
import { shippedSets } from './made.js'
import { straightLine } from './made-corrections.js'

const folder = mkdtempSync(join(tmpdir(), 'limits-'))
const shipped = readFileSync(join(limitsFolder, 'us-national.yaml'), 'utf8')

/** The shipped US file with one thing changed. */
function changed(from: string | RegExp, to: string): string {
  const text = shipped.replace(from, to)
  expect(text).not.toBe(shipped)
  const file = join(folder, 'us-national.yaml')
  writeFileSync(file, text)
  return file
}

function faultOf(file: string): string {
  const set = loadLimitSet(file)
  if (set.ok) throw new Error('was taken')
  expect(set.fault.code).toBe('limits-invalid')
  return set.fault.detail
}

describe('the files that come with the program', () => {
  it('are read, every one', () => {
    expect(shippedSets().map(({ name }) => `${name}.yaml`)).toEqual(readdirSync(limitsFolder).sort())
  })

  it('name document, clause and evidence with every limit, and say which day it began', () => {
    for (const limit of shippedSets().flatMap(({ limits }) => limits)) {
      expect(limit.document.length, limit.id).toBeGreaterThan(5)
      expect(limit.clause.length, limit.id).toBeGreaterThan(5)
      expect(limit.from, limit.id).toMatch(/^\d{4}-\d\d-\d\d$/)
      expect(limit.evidence.level, limit.id).not.toBe('memory')
    }
  })

  it('have no index but in the US set', () => {
    const withIndex = shippedSets().filter(({ index }) => index.length > 0)
    expect(withIndex.map(({ name }) => name)).toEqual(['us-national'])
  })
})

describe('a broken file of limits', () => {
  it.each([
    ['an unknown key', /level: 35\n/, 'level: 35\n    levels: 3\n', 'limits[0].levels: is not known here'],
    ['a missing document', /\n {4}document: 40 CFR 50.6/, '', 'limits[4].document: is missing'],
    ['a level as a text', /level: 35\n/, "level: '35'\n", 'limits[0].level: must be a number'],
    ['a level of zero', /level: 35\n/, 'level: 0\n', 'limits[0].level: must be above zero'],
    ['another unit', /unit: ug\/m3/, 'unit: mg/m3', 'limits[0].unit: must be one of ug/m3'],
    ['a day that does not exist', "'2006-12-18'", "'2006-02-30'", 'limits[0].from: must be a day'],
    ['an end before the beginning', "'2024-05-05'", "'2012-05-05'", 'limits[2].to: is before from'],
    ['an unknown form', /form: percentile-98-3-years/, 'form: mostly', 'limits[0].form: must be one of'],
    ['a step of nothing', /step: 10 /, 'step: 0 ', 'limits[4].compare.step: must be above zero'],
    ['a cut without a step', /method: cut, step: 0.1/, 'method: cut', 'limits[0].compare.step: is missing'],
    [
      'a step beside as-computed',
      /method: cut, step/,
      'method: as-computed, step',
      'limits[0].compare.step: belongs to cut and round',
    ],
    ['25 hours a day', /hours_needed: 18,/, 'hours_needed: 25,', 'limits[0].day.hours_needed: must be'],
    ['an id given twice', /id: us-pm10-24h/, 'id: us-pm2_5-24h', 'limits[4].id: stands here a second time'],
    ['rows that overlap', /low: 9.1,/, 'low: 8.9,', 'index[0].rows[1]: must begin above the row before it'],
    ['a row that falls', /high: 9.0,/, 'high: -1,', 'index[0].rows[0].high: must be a number'],
    ['no limits', /limits:[^]*# The air/, 'limits: []\n# The air', 'limits: must hold at least one limit'],
    [
      'a name unlike the file',
      /set: us-national/,
      'set: us',
      'set: must be us-national, the name of the file',
    ],
    [
      'a list where a map belongs',
      /evidence: \{.*\}/,
      'evidence: [read]',
      'limits[0].evidence: must be a map',
    ],
    ['an alias', /level: 35\n/, 'level: &a 35\n    note: *a\n', 'us-national.yaml'],
    ['a bracket left open', /title: US national standards/, 'title: [US', 'us-national.yaml'],
  ])('with %s is refused with file and key path', (_, from, to, words) => {
    const detail = faultOf(changed(from, to))
    expect(detail).toContain('us-national.yaml')
    expect(detail).toContain(words)
  })

  it('is told with everything that is wrong at once', () => {
    const file = changed(
      /level: 35\n[^]*?averaging: 24-hour/,
      'level: much\n    unit: mg\n    averaging: day',
    )
    expect(faultOf(file).split('; ').length).toBe(3)
  })

  it('or none at all, or a folder without one, is a fault and no exception', () => {
    expect(faultOf(join(folder, 'nothing.yaml'))).toContain('no such file')
    const none = loadLimitSets(join(folder, 'nowhere'))
    expect(!none.ok && none.fault.code).toBe('limits-invalid')
    for (const value of [undefined, null, 7, 'x', [], {}, { limits: 3 }, { limits: [null, [], 5] }])
      expect(readLimitSet(value).ok).toBe(false)
  })

  it('spoils its folder, and so does an id that stands in two files', () => {
    const both = join(folder, 'both')
    mkdirSync(both)
    writeFileSync(join(both, 'us-national.yaml'), shipped)
    expect(loadLimitSets(both).ok).toBe(true)
    writeFileSync(join(both, 'us-other.yaml'), shipped.replace('set: us-national', 'set: us-other'))
    const sets = loadLimitSets(both)
    expect(!sets.ok && sets.fault.detail).toContain('us-pm2_5-24h stands in another file too')
  })
})

const quarry = { name: 'quarry-pm10', channel: 'pm10', level: 60, averaging: '24-hour' }

describe('own limits', () => {
  it('are compared as computed, with 18 of 24 hours, and name their source', () => {
    const own = readOwnLimits([{ ...quarry, document: 'permit of the quarry, condition 7' }])
    expect(own.ok && own.value[0]).toMatchObject({
      set: 'own',
      level: 60,
      form: 'not-exceeded',
      comparison: { method: 'as-computed' },
      day: { hoursNeeded: 18 },
      document: 'permit of the quarry, condition 7',
    })
  })

  it('are refused with the path of the key', () => {
    const paths = (value: unknown) => {
      const own = readOwnLimits(value)
      return own.ok ? [] : own.faults.map(({ path }) => path)
    }
    expect(paths([{ ...quarry, level: '60' }])).toEqual(['limits.own[0].level'])
    expect(paths([quarry, quarry])).toEqual(['limits.own[1].name'])
    expect(paths([{ ...quarry, colour: 'red' }])).toEqual(['limits.own[0].colour'])
    expect(paths({})).toEqual(['limits.own'])
    expect(paths(Array.from({ length: 17 }, (_, i) => ({ ...quarry, name: `own-${i}` })))).toEqual([
      'limits.own',
    ])
  })
})

describe('which limits are shown', () => {
  const own = readOwnLimits([quarry])
  const all = { sets: shippedSets(), own: own.ok ? own.value : [] }
  const ids = (named: string | undefined, channel: 'pm2_5' | 'pm10', day: string) =>
    shownLimits({ ...all, named }, channel, day).map(({ id }) => id)

  it('is the guideline for a day and own ones by default', () => {
    expect(ids(undefined, 'pm10', '2026-03-01')).toEqual(['who-2021-pm10-24h', 'quarry-pm10'])
  })

  it('is the named set beside it, as in force on that day', () => {
    expect(ids('us-national', 'pm2_5', '2024-05-05')).toContain('us-pm2_5-annual-2012')
    expect(ids('us-national', 'pm2_5', '2024-05-05')).not.toContain('us-pm2_5-annual')
    expect(ids('us-national', 'pm2_5', '2024-05-06')).toContain('us-pm2_5-annual')
    expect(ids('us-national', 'pm2_5', '2024-05-06')).not.toContain('us-pm2_5-annual-2012')
  })

  it('changes in the EU with the turn of 2029', () => {
    const levels = (day: string) =>
      limitsInForce(
        all.sets.filter(({ name }) => name.startsWith('eu-')).flatMap(({ limits }) => limits),
        'pm10',
        day,
      ).map(({ level }) => level)
    expect(levels('2029-12-31')).toEqual([50, 40])
    expect(levels('2030-01-01')).toEqual([45, 20])
  })

  it('has an index only when the named set defines one', () => {
    expect(indexSet({ ...all, named: 'us-national' })?.name).toBe('us-national')
    for (const named of ['eu-2008', 'who-2021', 'california', undefined])
      expect(indexSet({ ...all, named })).toBeUndefined()
  })
})

describe('a correction file', () => {
  it('is read back as it was written', () => {
    const file = join(folder, 'correction.yaml')
    writeFileSync(file, stringify(correctionPlain(straightLine)))
    expect(loadCorrection(file)).toEqual({ ok: true, value: straightLine })
    writeFileSync(file, stringify({ ...correctionPlain(straightLine), kappa: 0.3 }))
    const refused = loadCorrection(file)
    expect(!refused.ok && refused.fault.detail).toContain('correction.yaml: kappa: does not belong to linear')
  })
})
