import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest'
import { readSolar, type SolarOptions } from '../../agent/cli/solar-input.js'
import { solar, solarFound, type SolarFound } from '../../agent/cli/solar.js'

/** A hundred years take a few seconds of work, and a loaded machine takes its time. */
const centuryMillis = 120_000

let out = ''
let told = ''
beforeEach(() => {
  out = told = ''
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => ((out += String(text)), true))
  vi.spyOn(process.stderr, 'write').mockImplementation((text) => ((told += String(text)), true))
})
afterEach(() => vi.restoreAllMocks())

const found = (options: SolarOptions): SolarFound => {
  const read = readSolar({ years: '20', ...options })
  if (!read.ok) throw new Error(read.words.join('; '))
  return solarFound(read.wish)
}

describe('motepost solar', () => {
  it('names the smallest panel and battery, the worst month and how each plan lives', () => {
    expect(solar({ latitude: '52', years: '20', json: true })).toBe(0)
    const answer = JSON.parse(out)
    expect(answer.worst_month).toBe(12)
    expect(answer.months).toHaveLength(12)
    expect(answer.named).toBeNull()
    for (const pair of answer.smallest) {
      expect(pair.loss_percent).toBeLessThanOrEqual(1)
      expect(pair.days_of_autonomy).toBeGreaterThanOrEqual(7)
    }
    const plans = answer.plans.map((plan: { plan: string }) => plan.plan)
    expect(plans).toEqual(['continuous', '5-of-15', '5-of-60', 'heartbeat', 'stepping'])
  })

  it('gives the same figures for the same seed', () => {
    solar({ latitude: '40', years: '5' })
    const first = out
    out = ''
    solar({ latitude: '40', years: '5' })
    expect(out).toBe(first)
    expect(first.split('\n').every((line) => line.length <= 79)).toBe(true)
  })

  it('says each caution once', () => {
    solar({ latitude: '40', years: '5' })
    for (const word of ['fuse', 'below freezing', 'heights', 'electrical code', 'licensed electrician'])
      expect(out.replaceAll(/\s+/g, ' ').split(word)).toHaveLength(2)
  })

  it('says that lithium in the frost must be rated for it or kept warm, and of lead-acid nothing', () => {
    const cold = { latitude: '52', panel: '100', battery: '100Ah', batteryCelsius: '-10', years: '2' }
    solar(cold)
    expect(out).toContain('At -10 °C these figures hold only for cells rated')
    out = ''
    solar({ ...cold, chemistry: 'lead-acid' })
    expect(out).not.toContain('these figures hold only')
  })

  it('tells everything that is wrong at once, in plain words, and ends with 2', () => {
    const wrong = {
      latitude: '95',
      panel: '0',
      chemistry: 'sulphur',
      battery: '40',
      load: 'much',
      plan: 'always',
    }
    expect(solar(wrong)).toBe(2)
    expect(out).toBe('')
    for (const words of [
      '--latitude: 95 cannot be',
      '--panel: 0 cannot be',
      "--chemistry: 'sulphur' is not known; known: lead-acid, lifepo4",
      '--battery: ',
      '--load: much cannot be',
      "--plan: 'always' is not known",
    ])
      expect(told).toContain(words)
  })

  it.each([
    ['a panel of 0 W', { panel: '0' }, '--panel: 0 cannot be; allowed: 1 to 2000 W'],
    ['latitude 95', { latitude: '95' }, '--latitude: 95 cannot be; allowed: -90 to 90 degrees'],
    [
      'an unknown chemistry',
      { chemistry: 'sulphur' },
      "--chemistry: 'sulphur' is not known; known: lead-acid",
    ],
    ['a battery without a unit', { battery: '40' }, "--battery: '40' is not understood; say it as 40Ah"],
  ])('refuses %s by itself, with what would do', (_, wrong: SolarOptions, words) => {
    expect(solar({ latitude: '52', years: '2', ...wrong })).toBe(2)
    expect(out).toBe('')
    expect(told).toContain(words)
    expect(told.trim().split('\n')).toHaveLength(1)
  })

  it('asks for a place, and refuses a sensor that draws more than all', () => {
    expect(solar({})).toBe(2)
    expect(told).toContain('--latitude is needed')
    expect(solar({ latitude: '10', load: '10', sensor: '11' })).toBe(2)
    expect(told).toContain('cannot be more than the whole load')
  })

  it('ends with 1 where what is there does not do, and says so', () => {
    expect(solar({ latitude: '52', panel: '20', battery: '20Ah', years: '5' })).toBe(1)
    expect(out).toContain('do NOT reach')
  })

  it('finds the battery for a panel and the panel for a battery', () => {
    const byPanel = found({ latitude: '34', panel: '40' })
    const byBattery = found({ latitude: '34', battery: '480Wh' })
    expect(byPanel.named!.reached && byBattery.named!.reached).toBe(true)
    expect(byPanel.named!.plant.panelWatts).toBe(40)
    expect(byBattery.named!.plant.batteryWattHours).toBe(480)
    expect(byBattery.named!.plant.panelWatts).toBeLessThan(60)
  })

  it('takes the same place south of the equator half a year later', () => {
    const north = found({ latitude: '45' })
    const south = found({ latitude: '-45' })
    expect(north.worstMonth).toBe(11)
    expect(south.worstMonth).toBe(5)
  })

  it(
    'takes a table of its own, on the level or without latitude on the panel',
    () => {
      const table = '2.1 2.8 3.8 4.9 5.7 5.9 5.8 5.2 4.2 3.1 2.2 1.9'
      const level = found({ latitude: '34', insolation: table })
      expect(level.months.map(({ level: light }) => Number(light.toFixed(1)))).toEqual(
        table.split(' ').map(Number),
      )
      const plane = found({ insolation: table, years: '100' })
      plane.months.forEach(({ onPanel }, month) => {
        const given = Number(table.split(' ')[month])
        expect(Math.abs(onPanel - given) / given).toBeLessThan(0.08)
      })
    },
    centuryMillis,
  )

  it('refuses more light than the sun gives, and a table that is not of twelve figures', () => {
    expect(solar({ latitude: '52', insolation: '5 5 5 5 5 5 5 5 5 5 5 5' })).toBe(2)
    expect(told).toContain('month 1 is more than a level plane gets there')
    expect(solar({ latitude: '52', insolation: '1 2 3' })).toBe(2)
    expect(told).toContain('twelve figures are needed')
  })

  it('says where no panel will do', () => {
    expect(solar({ latitude: '80', years: '5' })).toBe(1)
    expect(out).toContain('the winter is too dark')
  })

  it('draws the months, and never over a file that is there', () => {
    const folder = mkdtempSync(join(tmpdir(), 'motepost-'))
    const options = {
      latitude: '52',
      panel: '60',
      battery: '100Ah',
      years: '5',
      svg: join(folder, 'months.svg'),
    }
    try {
      expect(solar(options)).toBeLessThan(2)
      const svg = readFileSync(options.svg, 'utf8')
      // A square for each month, and one in the legend.
      expect(svg.match(/<rect x=/g)).toHaveLength(12 + 1)
      expect(svg).toContain('worst month')
      expect(svg).not.toMatch(/NaN|undefined|Infinity/)
      expect(solar(options)).toBe(2)
      expect(told).toContain('is there already')
    } finally {
      rmSync(folder, { recursive: true })
    }
  })

  it(
    'prints what the README shows',
    () => {
      const readme = readFileSync(join(import.meta.dirname, '../../README.md'), 'utf8')
      solar({ latitude: '52', panel: '60', battery: '100Ah' })
      expect(readme.includes('solar --latitude 52 --panel 60 --battery 100Ah')).toBe(true)
      expect(readme.includes('```\n' + out + '```')).toBe(true)
    },
    centuryMillis,
  )
})
