/** `keys rotate`: another key signs for the station from now on; through the running agent, or straight in the data folder. */
import { existsSync } from 'node:fs'
import { join } from 'node:path'
import { hasStationKey, keyName, nextKeyOf, stationKey } from '../hardware/station-key.js'
import type { Settings } from '../settings/settings.js'
import { changedFacts, type KeyChanged } from '../station/station.js'
import { changeKey, finishRotation, handOverName, type KeyWish, type MakeEvent } from '../store/store.js'
import { bad, done, good, type Outcome, type SigningKey } from '../terms/terms.js'
import { onFolder } from './offline-folder.js'
import { publicKeyGiven, publicKeyWords } from './operators.js'
import { folded, textWidth } from './plain-text.js'
import { askStation, reachStation, refusalText } from './reach-station.js'

export interface RotateOptions {
  /** Public key that comes from outside: a file, or 64 hex digits. */
  readonly to?: string
  readonly lost?: boolean
  readonly json?: boolean
}

type Changed = KeyChanged & { readonly sealed: boolean }

/** Exit codes: 0 done, 1 it could not be, 2 wrong use. */
export async function rotateStationKey(file: string, options: RotateOptions): Promise<number> {
  const reached = reachStation(file)
  if (!reached) return 2
  const to = options.to === undefined ? undefined : publicKeyGiven(options.to)
  if (options.to !== undefined && to === undefined) return told(`--to ${options.to}: ${publicKeyWords}`, 2)
  if (to !== undefined && options.lost)
    return told('--lost and --to: a key that is lost can hand over to none; leave one of them out', 2)
  const { settings } = reached
  const asked = await askStation(settings, { do: 'change-key', to, lost: options.lost === true })
  const isOffline = !asked.ok && asked.fault.code === 'agent-not-running'
  if (isOffline && isNeverStarted(settings))
    return told(`${settings.data.folder} holds no key yet: it is made at the first start`, 2)
  const answer = isOffline ? await rotateInFolder(settings, { to, isLost: options.lost }) : asked
  const refused = refusalText(answer)
  if (refused !== undefined) return told(refused, 1)
  const changed = (answer as { value: Changed }).value
  process.stdout.write(
    (options.json ? JSON.stringify({ v: 1, ...changed, offline: isOffline }) : changedText(changed)) + '\n',
  )
  return changed.sealed ? 0 : 1
}

const told = (words: string, code: number): number => {
  process.stderr.write(words + '\n')
  return code
}

const isNeverStarted = ({ data: { folder } }: Settings): boolean =>
  !hasStationKey(folder) && !existsSync(join(folder, 'store.json'))

/** Faults: key-given, key-lost, key-same, those of `onFolder`. */
function rotateInFolder(settings: Settings, wish: KeyWish): Promise<Outcome<Changed>> {
  return onFolder(settings, async ({ store, at }) => {
    const { folder } = settings.data
    const nextKey = nextKeyOf(folder)
    const finished = nextKey.ok ? await finishRotation(store, nextKey.value) : done
    if (!finished.ok) return finished
    const event: MakeEvent = (seq, details) => ({ kind: 'event', seq, ...at, name: handOverName, details })
    const changed = await changeKey(store, await presentKey(folder), nextKey, wish, event)
    if (!changed.ok) return changed
    const sealed = await store.seal(changed.value.inForce)
    return good({ ...changedFacts(changed.value), sealed: sealed.ok })
  })
}

/** The key that is there; none is made. */
async function presentKey(folder: string): Promise<Outcome<SigningKey>> {
  if (!hasStationKey(folder))
    return bad(
      'key-lost',
      `${join(folder, keyName)} is not there; where the service manager hands the key over, ask again while the agent runs`,
    )
  const key = await stationKey(folder)
  return key.ok ? key : bad('key-lost', key.fault.detail)
}

function changedText({ number, key, before, in_force, vouched_for, sealed }: Changed): string {
  const what = in_force
    ? `The station signs with a new key from number ${number} on.`
    : `With number ${number} the key of the station hands over to another one. Put that one in its place and start the agent anew; until then the present one signs.`
  const trust = vouched_for
    ? 'The key before signed this: verify follows from either.'
    : 'Nobody vouches for it: verify says so until it is given the new one (--key).'
  return [
    folded(what, textWidth, 0),
    `new     ${key}`,
    ...(before === undefined ? [] : [`before  ${before}`]),
    folded(`${trust} Note the new fingerprint where you noted the one before.`, textWidth, 0),
    ...(sealed ? [] : ['NOT sealed yet: the disk does not take it. The next hour tries again.']),
  ].join('\n')
}
