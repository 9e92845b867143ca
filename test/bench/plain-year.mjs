// The plain way to the means of a year: load every row of every file, then sum up by hour and by day. No CRC, no site log, no
// rule of what an hour or a day needs.
//   node plain-year.mjs FOLDER CHANNEL...
import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'

const [folder, ...channels] = process.argv.slice(2)
const rows = []
let heading = []
for (const name of readdirSync(folder).filter((one) => one.startsWith('lines-')))
  for (const line of readFileSync(join(folder, name), 'utf8').split('\n')) {
    const cells = line.split(',')
    if (cells[0] === 'columns') heading = cells.map((cell) => cell.split(' ')[0])
    if (cells[0] !== 'record') continue
    const row = { time: Date.parse(cells[7]) }
    for (const channel of channels) row[channel] = Number(cells[heading.indexOf(`${channel}:mean`)])
    rows.push(row)
  }

function means(seconds) {
  const sums = new Map()
  for (const row of rows) {
    const key = Math.floor(row.time / 1000 / seconds)
    const sum = sums.get(key) ?? Object.fromEntries(['n', ...channels].map((name) => [name, 0]))
    sum.n++
    for (const channel of channels) sum[channel] += row[channel]
    sums.set(key, sum)
  }
  return [...sums].map(([key, sum]) => [key, ...channels.map((channel) => sum[channel] / sum.n)])
}

console.log(JSON.stringify({ hours: means(3600).slice(-48), days: means(86_400).slice(-31) }))
