import { expect, it } from 'vitest'
import { measuringHash } from '../../agent/settings/settings.js'
import { base, goodSettings } from './support.js'

const hashOf = (text: string): string => measuringHash(goodSettings(text))
const own = hashOf(base)

it('stations that measure alike have one hash, whatever they are called, wherever they are plugged in and whom they tell', () => {
  const other = base.replace('north-fence', 'haul-gate').replace('/dev/sensor', '/dev/other')
  const more = `site: { inlet_height_m: 2.5 }
delivery: { recipients: [{ alias: warden, ways: [{ way: sms, to: '+15550100123' }] }], sms: { port: /dev/modem } }
`
  expect(hashOf(other)).toBe(own)
  expect(hashOf(base + more)).toBe(own)
  expect(own).toMatch(/^[0-9a-f]{16}$/)
})

it.each([
  ['another warm-up', base.replace('port: /dev/sensor', 'port: /dev/sensor\n    warm_up_s: 90')],
  ['an alert', `${base}alerts:\n  - { rule: mine, channel: pm10, average: 10-min, above: 80 }\n`],
  ['a changed rule out of the box', `${base}built_in_alerts:\n  - { rule: pm25-hour, above: 100 }\n`],
  ['other limits', `${base}limits: { set: eu-2008 }\n`],
  ['another record', base.replace('folder: /var/lib/motepost', 'folder: /var/lib/motepost\n  record_s: 30')],
])('%s is another hash', (_, text) => {
  expect(text).not.toBe(base)
  expect(hashOf(text)).not.toBe(own)
})
