// Import and averages of a year of minutes beside the plain script that loads everything.
//   node desk-import.mjs     prints its rows by itself (after npm run build)
import { spawnSync } from 'node:child_process'
import { closeSync, mkdtempSync, openSync, readFileSync, rmSync, writeSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { seededRandom } from '../../dist/agent/simulation/random.js'

const here = import.meta.dirname
const program = join(here, '../../dist/agent/cli/main.js')
const minutes = 365 * 1440
const start = Date.UTC(2025, 0, 1)

/** Time, three masses and a note; an error line of the logger now and then. */
function madeLog(file) {
  const { next } = seededRandom(7)
  const handle = openSync(file, 'w')
  let text = 'timestamp,pm1,pm2_5,pm10,note\n'
  for (let minute = 0; minute < minutes; minute++) {
    const mass = 10 + 20 * next()
    const time = new Date(start + minute * 60_000).toISOString().slice(0, 19).replace('T', ' ')
    text += `${time},${[0.7, 1, 1.6].map((by) => (mass * by).toFixed(1)).join(',')},\n`
    if (minute % 5000 === 17) text += 'ERROR: checksum\n'
    if (text.length > 1e6 || minute === minutes - 1) {
      writeSync(handle, text)
      text = ''
    }
  }
  closeSync(handle)
}

/** CPU and the most memory that a command took, as the kernel counts it. */
function measured(folder, args) {
  const usage = join(folder, 'usage.json')
  const hook = `import{writeFileSync}from'node:fs';process.on('exit',()=>writeFileSync(${JSON.stringify(usage)},JSON.stringify(process.resourceUsage())))`
  const from = process.hrtime.bigint()
  const ran = spawnSync(
    process.execPath,
    ['--import', `data:text/javascript,${encodeURIComponent(hook)}`, ...args],
    { encoding: 'utf8', maxBuffer: 1e9 },
  )
  const seconds = Number(process.hrtime.bigint() - from) / 1e9
  // 1: rows were refused, as they should be.
  if (ran.status !== 0 && ran.status !== 1) throw new Error(ran.stderr)
  const { userCPUTime, systemCPUTime, maxRSS } = JSON.parse(readFileSync(usage, 'utf8'))
  return { seconds, cpu: (userCPUTime + systemCPUTime) / 1e6, megabytes: maxRSS / 1000, out: ran.stdout }
}

/** @returns rows of [figure, motepost, plain script] */
export function deskRows() {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-bench-desk-'))
  try {
    const log = join(folder, 'log.csv')
    madeLog(log)
    const into = join(folder, 'series')
    const imported = measured(folder, [program, 'import', log, '--into', into, '--zone', '+00:00', '--json'])
    const series = join(into, 'log.series.csv')
    const averages = measured(folder, [
      program,
      'averages',
      '--store',
      series,
      '--from',
      '2025-01-01',
      '--json',
    ])
    const plain = measured(folder, [join(here, 'desk-plain.mjs'), log])
    agree(JSON.parse(averages.out), JSON.parse(plain.out))
    const told = ({ seconds, cpu, megabytes }) =>
      `${seconds.toFixed(1)} s (CPU ${cpu.toFixed(1)} s), ${Math.round(megabytes)} MB at most`
    return [
      ['desk: import a year of minutes of three channels', told(imported), 'reads, adds up: next row'],
      ['desk: hours and days of that year', told(averages), told(plain)],
    ]
  } finally {
    rmSync(folder, { recursive: true, force: true })
  }
}

/** Speed of another answer is no speed: the days must be the same, to the cent that is printed. */
function agree(ours, plain) {
  const { days } = ours.series.find(({ channel }) => channel === 'pm2_5')
  for (const { key, means } of plain.days) {
    const mean = days.find((one) => one.day === key)?.mean
    if (!(Math.abs(mean - means[1]) <= 0.005001)) throw new Error(`${key}: ${mean} beside ${means[1]}`)
  }
}

if (process.argv[1] === import.meta.filename)
  for (const row of deskRows()) console.log(`| ${row.join(' | ')} |`)
