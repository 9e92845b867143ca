import type { KeyPath } from './fault.js'
import { atKey, atValue, valueAt, type Finding, type Look } from './look.js'
import { deliveryNotes } from './notes-delivery.js'
import { portKind } from '../terms/terms.js'

/** Things that are no fault and still worth a sentence. Only for files without faults. */
export const noteFindings = (look: Look): Finding[] => [
  ...zoneNotes(look),
  ...look.entries(['instruments']).flatMap((path) => portNotes(look, path)),
  ...uplinkNotes(look),
  ...deliveryNotes(look),
]

const note = (wrong: string, advice: string) => ({ code: 'wrong-text', wrong, advice }) as const

function zoneNotes(look: Look): Finding[] {
  if (look.has(['station', 'time_zone']) || look.has(['station', 'standard_offset_min'])) return []
  return [
    atKey(
      ['station', 'time_zone'],
      note('not given: days are cut at midnight UTC', 'name the zone for local days'),
    ),
  ]
}

function portNotes(look: Look, path: KeyPath): Finding[] {
  const port = look.text([...path, 'port']) ?? ''
  const found: Finding[] = []
  if (/^\/dev\/tty(USB|ACM)\d+$/.test(port))
    found.push(
      atValue(
        [...path, 'port'],
        note('this name may change when adapters are plugged in', 'prefer the name in /dev/serial/by-id/'),
      ),
    )
  for (const key of ['baud', 'dtr'])
    if (portKind(port) !== 'serial' && look.has([...path, key]))
      found.push(atKey([...path, key], note('has no effect on this port', 'it is for serial devices')))
  return found
}

function uplinkNotes(look: Look): Finding[] {
  return look.text(['uplink', 'mode']) === 'mqtt' ? brokerNotes(look.root, ['uplink']) : []
}

/** @param path of the block that names a broker */
export function brokerNotes(root: unknown, path: KeyPath): Finding[] {
  const url = [...path, 'url']
  const isOpen = String(valueAt(root, url)).startsWith('mqtt:')
  if (!isOpen || valueAt(root, [...path, 'password_file']) === undefined) return []
  return [
    atValue(
      url,
      note('the password travels in the clear over mqtt://', 'use mqtts:// outside your own network'),
    ),
  ]
}
