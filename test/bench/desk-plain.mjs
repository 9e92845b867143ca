// What people write by hand for a year of minutes: read the whole file, split it, add up hours and days.
//   node desk-plain.mjs FILE
import { readFileSync } from 'node:fs'

const [heading, ...lines] = readFileSync(process.argv[2], 'utf8').split('\n')
const names = heading.split(',')
const rows = []
for (const line of lines) {
  const cells = line.split(',')
  if (cells.length !== names.length) continue
  const time = new Date(cells[0].replace(' ', 'T') + 'Z')
  rows.push({ time, values: cells.slice(1, 4).map(Number) })
}
const means = (keyOf) => {
  const sums = new Map()
  for (const { time, values } of rows) {
    const key = keyOf(time.toISOString())
    const one = sums.get(key) ?? { n: 0, sums: [0, 0, 0] }
    one.n++
    values.forEach((value, i) => (one.sums[i] += value))
    sums.set(key, one)
  }
  return [...sums].map(([key, { n, sums: all }]) => ({ key, n, means: all.map((sum) => sum / n) }))
}
const hours = means((text) => text.slice(0, 13))
const days = means((text) => text.slice(0, 10))
console.log(JSON.stringify({ rows: rows.length, hours, days }))
