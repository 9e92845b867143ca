/** Every vector of ../shared/reference/air-checks.json that belongs to limits; each title names its source. */
import { describe, expect, it } from 'vitest'
import { loadLimitSets } from '../../agent/cli/limits-files.js'
import {
  annualDesignValue,
  annualMean,
  correctedValue,
  dailyDesignValue,
  dayValue,
  exact,
  exceedance10,
  expectedExceedances,
  growthMassFactor,
  growthSizeFactors,
  indexOf,
  judge,
  nowCast,
  percentile98,
  quarterCapture,
  quarterExceedances,
  rank98,
  standardHour,
  stratifiedExceedances,
  yearExceedances,
  daysAbove,
  type Figure,
  type Limit,
} from '../../agent/limits/limits.js'
import { utcMillis } from '../../agent/terms/terms.js'
import { differences, sharedJson, type AirCheck } from '../support/shared-reference.js'

const all = sharedJson<AirCheck[]>('reference/air-checks.json') ?? []
/** Tested where the code of these topics is. */
const elsewhere: Readonly<Record<string, string>> = {
  frame: 'test/instruments/vectors.test.ts',
  stats: 'test/analysis/vectors.test.ts',
  metrics: 'test/analysis/vectors.test.ts',
  cpf: 'test/analysis/vectors.test.ts',
  'rh/linear-fit': 'test/analysis/vectors.test.ts',
}
const isElsewhere = (topic: string): boolean => topic in elsewhere || topic.split('/')[0] in elsewhere

const sets = loadLimitSets()
const limits: readonly Limit[] = sets.ok ? sets.value.flatMap((set) => set.limits) : []
const tables = sets.ok ? sets.value.flatMap((set) => set.index) : []
const channelOf = (pollutant: string): 'pm2_5' | 'pm10' => (pollutant === 'PM10' ? 'pm10' : 'pm2_5')

/** The ids of ours behind the names of the reference. */
const idStems: Readonly<Record<string, string>> = {
  US: 'us',
  'US-2024-primary': 'us',
  'US-secondary': 'us',
  California: 'california',
  'WHO-2021-AQG': 'who-2021',
  'EU-2008/50/EC': 'eu-2008',
  'EU-2024/2881-2030': 'eu-2030',
}

function limitOf(jurisdiction: string, pollutant: string, averaging: string): Limit {
  const part = averaging === '24-hour' ? '24h' : averaging
  const end = jurisdiction === 'US-secondary' ? '-secondary' : ''
  const id = `${idStems[jurisdiction]}-${channelOf(pollutant)}-${part}${end}`
  const found = limits.find((limit) => limit.id === id)
  if (!found) throw new Error(`no limit ${id}`)
  return found
}

const certain = { relative: 0, absolute: 0, source: 'side-by-side' } as const
const measured = (value: number): Figure => ({
  value,
  basis: 'measured',
  uncertainty: certain,
  atLeast: false,
})

type Answer = Readonly<Record<string, unknown>>
const answers: Readonly<
  Record<string, (inputs: AirCheck['inputs'], wanted: AirCheck['expected']) => Answer>
> = {
  'standards/level': ({ jurisdiction, pollutant, averaging }) => {
    const { level, allowedDaysAbove, formWords } = limitOf(jurisdiction, pollutant, averaging)
    return { level, unit: 'ug/m3', allowedExceedancesPerYear: allowedDaysAbove ?? null, form: formWords }
  },
  'standards/interim-targets': ({ pollutant }) => {
    const targets = (part: string) =>
      [1, 2, 3, 4].map(
        (n) =>
          limits.find(({ id }) => id === `who-2021-interim-${channelOf(pollutant)}-${part}-it${n}`)?.level,
      )
    return { annual: targets('annual'), daily: targets('24h') }
  },
  'standards/exceedance-days': ({ jurisdiction, pollutant, level, allowed, dailyMeans }) => {
    const limit = limitOf(jurisdiction, pollutant, '24-hour')
    expect([limit.level, limit.allowedDaysAbove]).toEqual([level, allowed])
    const { byArithmetic, withinAllowed } = daysAbove(dailyMeans.map(measured), limit)
    return { days: byArithmetic, compliant: withinAllowed }
  },
  'appn/daily-mean': ({ hourly }) => {
    const day = dayValue(
      hourly.map((mean: number | null) => mean ?? undefined),
      limitOf('US', 'PM2.5', '24-hour').day,
    )
    const methods = { 'hours-present': 'available-hours', 'zero-for-missing': 'zero-substitution' }
    return {
      valid: day.valid,
      hours: day.hours,
      method: day.valid ? methods[day.method] : null,
      mean: day.valid ? day.value : null,
    }
  },
  'appn/local-standard-day': ({ utc, standardOffsetHours }) => {
    const { day, hour } = standardHour(utcMillis(Date.parse(utc)), standardOffsetHours * 60)
    return { date: day, hour }
  },
  'appn/rank98': ({ creditableSamples }) => ({ rankFromTop: rank98(creditableSamples) }),
  'appn/p98': ({ dailyValues, creditableSamples }) => {
    const found = percentile98(dailyValues, creditableSamples)
    return { rankFromTop: found?.rankFromTop, p98: found?.value }
  },
  'appn/design-value-24h': ({ annualP98, level }) => {
    const found = dailyDesignValue(annualP98, level)
    return { mean: found?.mean, designValue: found?.value, met: found?.met }
  },
  'appn/design-value-annual': ({ annualMeans, level }) => {
    const found = annualDesignValue(annualMeans, level)
    return { mean: found?.mean, designValue: found?.value, met: found?.met }
  },
  'appn/annual-mean': ({ quarters }) => {
    const days = (quarters as number[][]).flat()
    const { quarterMeans, mean } = annualMean(quarters)
    const plain = days.reduce((sum, day) => sum + day, 0) / days.length
    return { quarterMeans, annualMean: mean, plainMeanOfDaysWouldBe: plain }
  },
  'appn/quarter-capture': ({ creditable, scheduled }) => ({ ...quarterCapture(creditable, scheduled) }),
  'appk/round10': ({ daily, level }) => {
    const { rounded, above } = exceedance10(daily, level)
    const byLimit = judge(measured(daily), limitOf('US', 'PM10', '24-hour'))
    expect([byLimit.compared, byLimit.arithmetic === 'above']).toEqual([rounded, above])
    return { rounded, exceedance: above }
  },
  'appk/quarter': ({ observedExceedances, daysInQuarter, daysSampled }) => ({
    estimated: quarterExceedances(observedExceedances, daysInQuarter, daysSampled),
  }),
  'appk/year': ({ quarterEstimates }) => ({ ...yearExceedances(quarterEstimates) }),
  'appk/expected': ({ yearEstimates }) => {
    const found = expectedExceedances(yearEstimates)
    return { mean: found?.mean, expected: found?.expected, attained: found?.met }
  },
  'appk/stratified': ({ strata, daysInQuarter }) => ({
    estimated: stratifiedExceedances(strata, daysInQuarter),
  }),
  'aqi/pm25': aqi,
  'aqi/pm10': aqi,
  'nowcast/pm25': now,
  'nowcast/pm10': now,
  'rh/kappa-mass': ({ pm, kappa, rhPercent, dryDensity }) => ({
    factor: growthMassFactor(kappa, rhPercent, dryDensity),
    corrected: correctedValue({ kind: 'growth', kappa, dryDensity }, pm, rhPercent),
  }),
  'rh/kappa-diameter': ({ kappa, rhPercent }) => {
    const { volume, diameter } = growthSizeFactors(kappa, rhPercent)
    return { volumeFactor: volume, diameterFactor: diameter }
  },
  'rh/linear-apply': ({ a, b, c, pm, rhPercent }) => ({
    corrected: correctedValue(
      { kind: 'linear-humidity', intercept: a, slope: b, perHumidity: c },
      pm,
      rhPercent,
    ),
  }),
}

function aqi({ pollutant, concentration24h }: AirCheck['inputs']): Answer {
  const table = tables.find(({ channel }) => channel === channelOf(pollutant))!
  const { index, category, unrounded, concentration } = indexOf(table, concentration24h)
  return { truncated: concentration, aqi: index, category, unroundedIndex: unrounded }
}

function now({ pollutant, hourlyNewestFirst }: AirCheck['inputs']): Answer {
  const figure = nowCast(
    hourlyNewestFirst.map((mean: number | null) => mean ?? undefined),
    channelOf(pollutant),
  )
  if (!figure.valid) return { valid: false, weight: null, nowcast: null, truncated: null }
  return { valid: true, weight: figure.weight, nowcast: figure.value, truncated: figure.cutValue }
}

describe.skipIf(all.length === 0)('published check values', () => {
  it('belong to a topic that is tested here or named with the place where it is', () => {
    expect(limits.length).toBeGreaterThan(30)
    const unknown = all.map(({ topic }) => topic).filter((topic) => !answers[topic] && !isElsewhere(topic))
    expect(unknown).toEqual([])
    const here = all.filter(({ topic }) => answers[topic]).length
    console.info(
      `${here} vectors here, ${all.length - here} in ${[...new Set(Object.values(elsewhere))].join(', ')}`,
    )
  })

  const here = all.filter(({ topic }) => answers[topic])
  it.each(here.map((vector) => [`${vector.topic} ${vector.id}: ${vector.source}`, vector] as const))(
    '%s',
    (_, { topic, inputs, expected, tolerance }) => {
      expect(differences(answers[topic](inputs, expected), expected, tolerance)).toEqual([])
    },
  )
})

describe('the exact tenths', () => {
  it('of every constant day from 0.1 to 60.0 survive sum, mean and cut (202 of them fail in binary)', () => {
    const rule = { hoursNeeded: 18, hourCut: exact(0.1), dayCut: exact(0.1) }
    let binaryFailures = 0
    for (let tenths = 1; tenths <= 600; tenths++) {
      const mean = tenths / 10
      const day = dayValue(Array<number>(24).fill(mean), rule)
      expect(day).toMatchObject({ valid: true, value: mean })
      const plain =
        Array<number>(24)
          .fill(mean)
          .reduce((sum, hour) => sum + hour, 0) / 24
      if (Math.trunc(plain * 10) / 10 !== mean) binaryFailures++
    }
    expect(binaryFailures).toBe(202)
  })
})
