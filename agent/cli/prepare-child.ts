/** Started by prepareApart: `node prepare-child.js SETTINGS_FILE` writes the preparation, serialised, and ends. */
import { writeSync } from 'node:fs'
import { serialize } from 'node:v8'
import { prepare } from './preparation.js'

const bytes = serialize(prepare(process.argv[2]))
for (let at = 0; at < bytes.length;) at += writeSync(1, bytes, at)
