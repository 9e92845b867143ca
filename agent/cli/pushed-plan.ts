/**
 * Settings from afar beside the person's own file: what a start lays over it, and what becomes of a text that is pushed. It reads
 * YAML and schema, so it is work for a process that ends (prepare-child.ts).
 */
import { isDeepStrictEqual } from 'node:util'
import { readPushed, settingsFaultText, type PushedTexts } from '../settings/settings.js'
import { faultText } from '../terms/terms.js'
import { knownGaugeLayouts } from './gauge-layouts.js'
import { knownLayouts } from './layouts.js'
import {
  planOf,
  prepare,
  prepareLastGood,
  type Plan,
  type Preparation,
  type PushedAside,
} from './preparation.js'
import { baseOf, planWith, pushedFilesIn, saysNothing } from './pushed-files.js'
import { readSettingsFile } from './read-settings.js'
import type { Judgement, Pushed } from './settings-trial.js'
import { longestTrialDays, trialSeconds } from './trial-time.js'

/** `prepare`, with the settings from afar that are kept laid over the file, where they are meant for it as it is now. */
export async function prepareWithPushed(file: string): Promise<Preparation> {
  const prepared = prepare(file)
  if (!prepared.plan) return prepared
  const { plan, aside } = await laidOver(prepared.plan)
  // Of a broken file nobody can say what it is meant to change.
  if (prepared.wrong.length > 0 || !aside) return { ...prepared, plan }
  return { ...prepared, plan, notes: [...prepared.notes, aside.words], aside }
}

/** `prepareLastGood` in the same way: with these over it the settings last worked. */
export async function prepareLastGoodWithPushed(file: string): Promise<Plan | undefined> {
  const plan = prepareLastGood(file)
  return plan && (await laidOver(plan)).plan
}

export async function laidOver(own: Plan): Promise<{ readonly plan: Plan; readonly aside?: PushedAside }> {
  const kept = await pushedFilesIn(own.settings.data.folder).kept()
  if (!kept || saysNothing(kept)) return { plan: own }
  const whose = `settings from afar (${kept.id} of ${kept.by})`
  if (kept.base !== baseOf(own.text)) {
    const words = `${whose} are void: the settings file was edited by hand since, and stands alone`
    return { plan: own, aside: { words, isForGood: true } }
  }
  const over = planOver({ own: own.text, pushed: kept.text }, 'settings from afar')
  if (over.ok) return { plan: planWith(over.plan, kept) }
  const words = `${whose} do not pass with this version, the settings file stands alone: ${over.lines[0]}`
  return { plan: own, aside: { words, isForGood: false } }
}

type Over =
  | { readonly ok: true; readonly plan: Plan; readonly kept: string }
  | { readonly ok: false; readonly lines: readonly string[] }

function planOver(texts: PushedTexts, fileName: string): Over {
  const channels = new Map(
    knownLayouts().map((layout) => [layout.name, layout.fields.map((field) => field.channel)]),
  )
  const read = readPushed(texts, fileName, channels, knownGaugeLayouts())
  if (!read.ok) return { ok: false, lines: read.faults.map(settingsFaultText) }
  const planned = planOf({ settings: read.settings, text: texts.own })
  return planned.ok
    ? { ok: true, plan: planned.value, kept: read.kept }
    : { ok: false, lines: [faultText(planned.fault)] }
}

/** An answer goes over a link that may be metered. */
const mostLines = 20

function refused(lines: readonly string[]): Judgement<Plan> {
  const more = lines.length - mostLines
  const told = more > 0 ? [...lines.slice(0, mostLines), `and ${more} more`] : lines
  return { ok: false, lines: told }
}

/** @param file the person's own settings file; the pushed text is judged over it as it is now */
export async function judgePushed(
  file: string,
  { text, file: name, alone }: Pushed,
): Promise<Judgement<Plan>> {
  const own = readSettingsFile(file)
  // What a person typed there is nobody's business who reads answers at the broker.
  if (!own.ok)
    return refused([
      'the settings file at the station has faults and must be mended first: motepost check names them there',
    ])
  const base = baseOf(own.text)
  const standing = (await pushedFilesIn(own.settings.data.folder).kept()) ?? { base, text: '{}' }
  const stands = standing.base === base ? standing.text : '{}'
  const over = planOver({ own: own.text, pushed: text, kept: alone ? undefined : stands }, name)
  if (!over.ok) return refused(over.lines)
  // As the next start will read it: what was kept before may have been open to an earlier version only.
  const asKept = planOver({ own: own.text, pushed: over.kept }, 'kept from before')
  if (!asKept.ok)
    return refused([
      'what was pushed before does not pass any more: push with --alone what is to stand',
      ...asKept.lines,
    ])
  const { plan } = asKept
  const now = planOver({ own: own.text, pushed: stands }, 'kept from before')
  if (now.ok && isDeepStrictEqual(now.plan.settings, plan.settings))
    return refused([`${name} changes nothing: the settings at the station say all of it already`])
  const lastsSeconds = trialSeconds(plan.settings)
  if (lastsSeconds === undefined)
    return refused([
      `by uplink and power.modem the station might not connect twice in ${longestTrialDays} days`,
    ])
  return { ok: true, plan, base, text: over.kept, lastsSeconds }
}
