/**
 * Started by prepareApart: `node prepare-child.js SETTINGS_FILE [last-good]` writes the preparation, or the plan that last
 * worked, serialised, and ends.
 */
import { writeSync } from 'node:fs'
import { serialize } from 'node:v8'
import { prepare, prepareLastGood } from './preparation.js'

const [, , file, which] = process.argv
const bytes = serialize(which === 'last-good' ? prepareLastGood(file) : prepare(file))
for (let at = 0; at < bytes.length;) at += writeSync(1, bytes, at)
