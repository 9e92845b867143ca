import type { ChannelName } from '../terms/terms.js'
import { alertFindings } from './crosschecks-alerts.js'
import { builtInFindings } from './crosschecks-built-in.js'
import { deliveryFindings } from './crosschecks-delivery.js'
import { gaugeFindings, type KnownGaugeLayouts } from './crosschecks-gauges.js'
import { powerFindings } from './crosschecks-power.js'
import { valueText, type KeyPath, type Verdict } from './fault.js'
import { judgeZone } from './judge.js'
import { atKey, atValue, type Finding, type Look } from './look.js'
import { nearest } from './suggest.js'
import { isZone } from './zone.js'

/** What the layouts of config/instruments give, by name; without it whatever depends on it is not checked. */
export type KnownLayouts = ReadonlyMap<string, readonly ChannelName[]>

const conflict = (wrong: string, advice: string): Verdict => ({ code: 'conflict', wrong, advice })
const range = (wrong: string, advice: string): Verdict => ({ code: 'out-of-range', wrong, advice })

/** Everything that takes two keys, or knowledge from outside the file, to see. */
export const crossFindings = (
  look: Look,
  layouts?: KnownLayouts,
  gaugeLayouts?: KnownGaugeLayouts,
): Finding[] => [
  ...stationFindings(look),
  ...instrumentFindings(look, layouts),
  ...gaugeFindings(look, gaugeLayouts),
  ...alertFindings(look, layouts, gaugeLayouts),
  ...builtInFindings(look),
  ...deliveryFindings(look),
  ...uplinkFindings(look),
  ...powerFindings(look),
]

function stationFindings(look: Look): Finding[] {
  const zonePath = ['station', 'time_zone']
  const offsetPath = ['station', 'standard_offset_min']
  const zone = look.text(zonePath)
  const found: Finding[] = []
  if (zone !== undefined && !isZone(zone)) found.push(atValue(zonePath, judgeZone(zone)))
  if (look.has(zonePath) && look.has(offsetPath))
    found.push(atKey(offsetPath, conflict('says again what time_zone says', 'keep one of the two')))
  return found
}

// ---- instruments ----------------------------------------------------------------------------------------------------

function instrumentFindings(look: Look, layouts?: KnownLayouts): Finding[] {
  const found: Finding[] = []
  const ports = new Map<string, KeyPath>()
  const givers: { path: KeyPath; layout: string; slot?: string }[] = []
  for (const path of look.entries(['instruments'])) {
    const port = look.text([...path, 'port'])
    if (port !== undefined) found.push(...portFindings([...path, 'port'], port, ports))
    found.push(...silenceFindings(look, path), ...boxFindings(look, path))
    const layout = look.text([...path, 'layout'])
    if (layout === undefined) continue
    if (layouts && !layouts.has(layout) && !layout.endsWith('.yaml'))
      found.push(atValue([...path, 'layout'], unknownLayout(layout, layouts)))
    const giver = { path, layout, slot: look.text([...path, 'slot']) }
    const slotBroken = giver.slot === undefined && look.has([...path, 'slot'])
    const other = givers.find((one) => one.slot === giver.slot && sharedChannel(one.layout, layout, layouts))
    if (other && !slotBroken)
      found.push(slotFinding(giver, other, sharedChannel(other.layout, layout, layouts)!))
    givers.push(giver)
  }
  return found
}

function portFindings(path: KeyPath, port: string, seen: Map<string, KeyPath>): Finding[] {
  const found: Finding[] = []
  const number = /^tcp:.*:(\d+)$/.exec(port)?.[1]
  if (number !== undefined && !isPortNumber(number)) found.push(atValue(path, badPortNumber(number)))
  if (seen.has(port))
    found.push(
      atValue(
        path,
        conflict(`${valueText(port)} is the port of another instrument too`, 'one port, one instrument'),
      ),
    )
  seen.set(port, path)
  return found
}

/** As the schema has them. */
const usualSilence = { silent: 10, reopen: 30 }

function silenceFindings(look: Look, path: KeyPath): Finding[] {
  const silent = look.number([...path, 'silent_after_s']) ?? usualSilence.silent
  const reopen = look.number([...path, 'reopen_after_s']) ?? usualSilence.reopen
  if (reopen >= silent) return []
  const key = look.has([...path, 'reopen_after_s']) ? 'reopen_after_s' : 'silent_after_s'
  const advice = `a port is opened again only after its sensor is called silent (${silent} s): reopen_after_s, ${reopen} now, must be as much or more`
  return [atValue([...path, key], conflict('reopen_after_s is below silent_after_s', advice))]
}

/** A box of one compares nothing. */
function boxFindings(look: Look, path: KeyPath): Finding[] {
  const box = look.text([...path, 'box'])
  if (box === undefined) return []
  const inIt = look.entries(['instruments']).filter((other) => look.text([...other, 'box']) === box)
  if (inIt.length > 1) return []
  return [
    atValue(
      [...path, 'box'],
      conflict(
        `only one instrument is in the box ${valueText(box)}`,
        'name the same box at the sensor beside it, or take this line away',
      ),
    ),
  ]
}

const isPortNumber = (text: string): boolean => Number(text) >= 1 && Number(text) <= 65_535
const badPortNumber = (text: string): Verdict => range(`${text} is not a port number`, 'allowed: 1 to 65535')

function unknownLayout(layout: string, layouts: KnownLayouts): Verdict {
  const known = [...layouts.keys()]
  return {
    code: 'unknown-word',
    wrong: `${valueText(layout)} is not a layout in config/instruments`,
    advice: `allowed: ${known.join(', ')}, or a path that ends in .yaml`,
    didYouMean: nearest(layout, known),
  }
}

/** A channel that both layouts give; the same layout twice gives the same channels whatever they are. */
function sharedChannel(a: string, b: string, layouts?: KnownLayouts): string | undefined {
  if (a === b) return layouts?.get(a)?.[0] ?? 'the same channels'
  const others = layouts?.get(b) ?? []
  return layouts?.get(a)?.find((channel) => others.includes(channel))
}

function slotFinding(
  giver: { path: KeyPath; slot?: string },
  other: { path: KeyPath },
  shared: string,
): Finding {
  const path = [...giver.path, 'slot']
  const advice = 'give each of the two a slot of its own, such as 1 and 2, or inside and outside'
  const both = `instruments[${other.path[1]}] gives ${shared} too`
  if (giver.slot !== undefined) return atValue(path, conflict(`${both}, with the same slot`, advice))
  return { ...atKey(path, { code: 'missing', wrong: `missing: ${both}`, advice }), wants: ['slot'] }
}

// ---- uplink ---------------------------------------------------------------------------------------------------------

function uplinkFindings(look: Look): Finding[] {
  const at = (key: string): KeyPath => ['uplink', key]
  const has = (key: string): boolean => look.has(at(key))
  const found: Finding[] = []
  const url = look.text(at('url'))
  const needs = (key: string, why: string, advice: string): void => {
    found.push({ ...atKey(at(key), { code: 'missing', wrong: `missing: ${why}`, advice }), wants: [key] })
  }
  if (look.text(at('mode')) === 'mqtt' && !has('url'))
    needs('url', 'mode mqtt needs it', 'write mqtt://host:port or mqtts://host:port')
  if (!has('mode') && has('url'))
    needs('mode', 'a url is given', 'write mode: mqtt to send there, or mode: none to wait')
  if (has('cert_file') && !has('key_file')) needs('key_file', 'cert_file needs it', 'name both or none')
  if (has('key_file') && !has('cert_file')) needs('cert_file', 'key_file needs it', 'name both or none')
  if (has('password_file') && !has('username'))
    needs('username', 'password_file needs it', 'MQTT takes no password without a user')
  for (const key of ['ca_file', 'cert_file', 'key_file'])
    if (url?.startsWith('mqtt:') && has(key))
      found.push(
        atKey(
          at(key),
          conflict(
            'the url starts with mqtt://, which uses no certificates',
            'write mqtts:// or take this line away',
          ),
        ),
      )
  found.push(...ladderFindings(look))
  const port = url && /:(\d+)\/?$/.exec(url)?.[1]
  if (port && !isPortNumber(port)) found.push(atValue(at('url'), badPortNumber(port)))
  return found
}

function ladderFindings(look: Look): Finding[] {
  const seen = new Set<string>()
  return look.entries(['uplink', 'ladder']).flatMap((path) => {
    const step = look.text([...path, 'step'])
    if (step === undefined || !seen.has(step)) {
      seen.add(step ?? '')
      return []
    }
    const verdict = conflict(`the step ${valueText(step)} is there already`, 'each step stands once')
    return [atValue([...path, 'step'], verdict)]
  })
}
