import { readFileSync } from 'node:fs'
import { expect, it } from 'vitest'
import { columnSet, monoSeconds, utcMillis, type RecordLine } from '../../agent/terms/terms.js'
import { makePack, readPack } from '../../agent/uplink/uplink.js'
import { asStored } from '../support/made-lines.js'

const set = columnSet([
  {
    channel: 'pm2_5',
    statistic: 'mean',
    unit: 'ug/m3',
    decimals: 2,
    scaling: 'atmospheric',
    basis: 'measured',
  },
  { channel: 'pm2_5', statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
])
const boot = '0a1b2c3d'
const start = Date.UTC(2026, 2, 1)
const record = (n: number, mean: number, marked: Record<string, number>): RecordLine => ({
  ...{
    kind: 'record',
    seq: 2 + n,
    set: set.id,
    boot,
    mono: monoSeconds(120.5 + 60 * n),
    seconds: 60,
    planned: 60,
  },
  ...{ utc: utcMillis(start + 60_000 * n), values: [mean, 60], excluded: {}, marked },
})
const lines = [
  asStored({
    kind: 'event',
    seq: 1,
    boot,
    mono: monoSeconds(31.2),
    name: 'started',
    details: { session: '7' },
  }),
  asStored(record(0, 12.48, {}), [set]),
  asStored(record(1, 12.97, { spike: 1 }), [set]),
]

it('the pack printed in WIRE.md is what is made of its three lines, and is read as them', () => {
  const document = readFileSync(new URL('../../agent/uplink/WIRE.md', import.meta.url), 'utf8')
  const printed = /```json\n([\s\S]*?)```/.exec(document)![1]
  const content = { group: 'oakfield', station: 'st-1', storeId: 'b7c2-41', boot, lines, sets: [set] }
  const made = makePack(content, { encoding: 'json', compress: false })
  expect(new TextDecoder().decode(made)).toBe(printed)
  const read = readPack(new TextEncoder().encode(printed))
  expect(read.ok && read.value.lines.map((line) => line.text)).toEqual(lines.map((line) => line.text))
})
