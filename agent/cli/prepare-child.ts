/**
 * Started by prepare-apart.ts: `node prepare-child.js SETTINGS_FILE [last-good|pushed]` writes the preparation, the plan that
 * last worked, or the judgement on settings from afar that stand as JSON in its input, serialised, and ends.
 */
import { readFileSync, writeSync } from 'node:fs'
import { serialize } from 'node:v8'
import { judgePushed, prepareLastGoodWithPushed, prepareWithPushed } from './pushed-plan.js'
import type { Pushed } from './settings-trial.js'

const [, , file, which] = process.argv
const input = (): Pushed => JSON.parse(readFileSync(0, 'utf8')) as Pushed
const made =
  which === 'pushed'
    ? judgePushed(file, input())
    : which === 'last-good'
      ? prepareLastGoodWithPushed(file)
      : prepareWithPushed(file)
const bytes = serialize(await made)
for (let at = 0; at < bytes.length;) at += writeSync(1, bytes, at)
