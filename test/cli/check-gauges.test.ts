import { mkdirSync, mkdtempSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, it } from 'vitest'
import { tryGauges } from '../../agent/cli/check-gauges.js'
import { checkPowerSettings } from '../../agent/cli/check-power.js'
import { base, goodSettings } from '../settings/support.js'

it('check reads every gauge once and says what it reads, or what is wrong', async () => {
  const root = mkdtempSync(join(tmpdir(), 'motepost-check-'))
  mkdirSync(join(root, 'iio:device0'))
  const put = (name: string, text: string): void => writeFileSync(join(root, 'iio:device0', name), text)
  put('name', 'sky\n')
  put('in_humidityrelative_input', '45678\n')
  put('in_pressure_input', '995.1\n')
  put('low', '1\n')
  const channels =
    'humidity.outside: in_humidityrelative_input, pressure: in_pressure_input, temperature: in_temp_input'
  const text = `${base}gauges:\n  - { kind: iio, path: '${root}', device: sky, channels: { ${channels} } }\nsupply: { low_file: '${root}/iio:device0/low' }\n`
  const items = await tryGauges(goodSettings(text))
  expect(items.map(({ what, well }) => `${what} ${well}`)).toEqual([
    'gauge true',
    'gauge false',
    'gauge false',
    'supply false',
  ])
  expect(items[0].words).toBe('humidity.outside reads 45.678 %RH')
  // 995.1 would be kPa by the kernel's rule, so ten times too much.
  expect(items[1].words).toContain('impossible value')
  expect(items[2].words).toContain('ENOENT')
  expect(items[3].words).toBe('the supply is too low')
})

it('check says which gauge has vanished, and that without it nothing tells the charge', async () => {
  const root = mkdtempSync(join(tmpdir(), 'motepost-check-'))
  const gauge = `gauges:\n  - { kind: hwmon, path: '${root}', device: solar_monitor, channels: { battery_voltage: in1_input } }\n`
  const battery = 'power: { battery: { chemistry: lifepo4, capacity_ah: 40, nominal_v: 12.8 } }\n'
  const [vanished] = await tryGauges(goodSettings(base + gauge + battery))
  expect(vanished).toMatchObject({ what: 'gauge', well: false })
  expect(vanished.words).toContain('battery_voltage: ')
  expect(vanished.words).toContain('solar_monitor')
  const without = await checkPowerSettings(goodSettings(base + battery))
  expect(without.filter(({ well }) => !well).map(({ words }) => words)).toEqual([
    'no gauge gives battery_voltage: nothing tells the charge',
  ])
})
