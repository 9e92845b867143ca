import { createPrivateKey, createPublicKey } from 'node:crypto'
import { DeskDisk, openFolder } from '../hardware/disk.js'
import { publicHalf } from '../hardware/station-key.js'
import {
  leastFingerprintDigits,
  readFingerprint,
  verifyFolder,
  whoseFolder,
  type Verification,
} from '../store/store.js'
import {
  asProblem,
  foldersOfStores,
  notOpened,
  refuse,
  say,
  whatIsThere,
  whereToLook,
  wrongUse,
  type DeskOptions,
  type Opened,
} from './desk.js'
import { importedSeriesIn } from './imported-series.js'
import { Progress } from './progress.js'
import { readTextFile } from './read-text.js'
import { verificationJson, verificationText } from './verify-words.js'

export interface VerifyOptions extends DeskOptions {
  /** The public key of the station as it is known from elsewhere: its fingerprint, the key, or a file with it. */
  readonly key?: string
  /** The highest number that is known to exist. */
  readonly last?: number
}

export interface Verified {
  readonly folder: string
  readonly found: Verification
}

/**
 * Looks at every row, number and seal of every store in a folder. Writes nothing.
 * @returns exit code: 0 nothing found, 1 something found, 2 wrong use
 */
export async function verify(options: VerifyOptions): Promise<number> {
  const where = await whereToLook(options)
  if (!where.ok) return refuse(where)
  const key = options.key === undefined ? undefined : readKey(options.key)
  if (key && !key.ok) return refuse(key)
  const { folder } = where.value
  const stores = await verifyAll(folder, options, key?.value)
  if (!stores.ok) return refuse(stores)
  const isAsked = key !== undefined
  await say(
    options.json ? verificationJson(stores.value) : verificationText(stores.value, isAsked).join('\n'),
  )
  return stores.value.every(({ found }) => found.problems === 0) ? 0 : 1
}

async function verifyAll(
  folder: string,
  { storeId, last }: VerifyOptions,
  expectedKey: string | undefined,
): Promise<Opened<Verified[]>> {
  const series = importedSeriesIn(folder)
  const top = await openFolder(folder, { create: false })
  if (!top.ok) return series === undefined ? notOpened(top.fault, folder) : wrongUse(series)
  const places = foldersOfStores(folder)
  if (places.length === 0) return wrongUse(series ?? `${folder} holds no store: ${whatIsThere(folder)}`)
  const meant = await storesMeant(places, storeId)
  if (!meant.ok) return meant
  if (meant.value.length > 1 && (last !== undefined || expectedKey !== undefined))
    return wrongUse(
      `--key and --last are about one store; say which with --store-id:\n${meant.value.join('\n')}`,
    )
  const verified: Verified[] = []
  for (const place of meant.value) {
    const progress = new Progress(`looking at every row of ${place}`)
    const expected = { expectedKey, expectedLast: last, progress: (share: number) => progress.show(share) }
    const found = await verifyFolder(new DeskDisk(place), expected)
    if (!found.ok) return asProblem(found.fault)
    verified.push({ folder: place, found: found.value })
  }
  return { ok: true, value: verified }
}

/** By store id, its beginning, or station, as their first file says it; all where nothing is asked for. */
async function storesMeant(
  places: readonly string[],
  storeId: string | undefined,
): Promise<Opened<string[]>> {
  if (storeId === undefined) return { ok: true, value: [...places] }
  const meant: string[] = []
  const list: string[] = []
  for (const place of places) {
    const whose = await whoseFolder(new DeskDisk(place))
    if (!whose.ok) return asProblem(whose.fault)
    list.push(`  ${whose.value.identity.storeId}  ${whose.value.identity.station}`)
    if (whose.value.identity.storeId.startsWith(storeId) || whose.value.identity.station === storeId)
      meant.push(place)
  }
  if (meant.length > 0) return { ok: true, value: meant }
  return wrongUse([`no store here is '${storeId}'; there are:`, ...list].join('\n'))
}

const keyWords = `expected a fingerprint (at least its first ${leastFingerprintDigits} hex digits; spaces do not matter), the public key in hex, or a file with the key`

function readKey(text: string): Opened<string> {
  const written = readFingerprint(text)
  if (written !== undefined) return { ok: true, value: written }
  const read = readTextFile(text)
  if (!read.ok) return wrongUse(`--key ${read.fault.detail}: ${keyWords}`)
  const inFile = keyIn(read.value)
  return inFile === undefined
    ? wrongUse(`--key ${text}: the file holds no key; ${keyWords}`)
    : { ok: true, value: inFile }
}

/** PEM of a public key, or of the private one of which the public is made; or hex digits. */
function keyIn(text: string): string | undefined {
  const written = readFingerprint(text)
  if (written !== undefined) return written
  try {
    const key = text.includes('PRIVATE') ? createPrivateKey(text) : createPublicKey(text)
    return key.asymmetricKeyType === 'ed25519' ? publicHalf(key) : undefined
  } catch {
    return undefined
  }
}
