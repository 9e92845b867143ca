/**
 * Started by collect-suspects.ts: `node suspects-child.js ARCHIVE UTC_MILLIS` prints what lookAtStations found, as JSON; exit code 1
 * and one line of words where it failed.
 */
import { writeSync } from 'node:fs'
import { constants, setPriority } from 'node:os'
import { utcMillis } from '../terms/terms.js'
import { lookAtStations } from './suspects-look.js'

// Packs that come in go first, where there is one core for all.
setPriority(constants.priority.PRIORITY_LOW)
const [, , archive, to] = process.argv
try {
  const bytes = Buffer.from(JSON.stringify(await lookAtStations(archive, utcMillis(Number(to)))))
  for (let at = 0; at < bytes.length;) at += writeSync(1, bytes, at)
} catch (error) {
  process.stderr.write(`${String(error)}\n`)
  process.exitCode = 1
}
