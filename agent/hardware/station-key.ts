import { createPrivateKey, createPublicKey, generateKeyPairSync, sign, type KeyObject } from 'node:crypto'
import { existsSync } from 'node:fs'
import { chmod, open, readFile, rename, stat } from 'node:fs/promises'
import { dirname, join } from 'node:path'
import { bad, good, type Outcome, type SigningKey } from '../terms/terms.js'
import { FolderDisk } from './disk.js'

/** Name of the key in a data folder. It begins with a dot: no part of the store, and nobody copies it along. */
export const keyName = '.station-key'
/** Name of the key among the credentials that a service manager hands over (LoadCredential= of systemd). */
export const keyCredential = 'station-key'

/** The file of a credential; undefined where the service manager gave none of that name. */
export function credentialFile(name: string): string | undefined {
  const folder = process.env.CREDENTIALS_DIRECTORY
  if (folder === undefined || folder === '') return undefined
  const path = join(folder, name)
  return existsSync(path) ? path : undefined
}

export const hasStationKey = (folder: string): boolean =>
  credentialFile(keyCredential) !== undefined || existsSync(join(folder, keyName))

/**
 * The Ed25519 key (RFC 8032) with which a station signs: that of the service manager, else that of the folder, made silently
 * where there is none: PKCS #8 in PEM, readable by its owner only, as openssl reads it. To be asked for after the store of the folder was opened. Faults: disk-*; disk-error also
 * where the file holds no such key (it is left as it is).
 */
export async function stationKey(folder: string): Promise<Outcome<SigningKey>> {
  const given = credentialFile(keyCredential)
  const path = given ?? join(folder, keyName)
  try {
    return given === undefined ? await readKey(path) : keyIn(await readFile(given, 'utf8'), given)
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    if (code !== 'ENOENT' || given !== undefined)
      return bad(code === 'EACCES' ? 'disk-denied' : 'disk-error', `${path} (${code ?? error})`)
  }
  return makeKey(path)
}

async function readKey(path: string): Promise<Outcome<SigningKey>> {
  const text = await readFile(path, 'utf8')
  // A copy or a restored backup may have opened it to others.
  if (((await stat(path)).mode & 0o077) !== 0) await chmod(path, 0o600)
  return keyIn(text, path)
}

function keyIn(text: string, path: string): Outcome<SigningKey> {
  let key: KeyObject
  try {
    key = createPrivateKey(text)
  } catch {
    return bad('disk-error', `${path} holds no key`)
  }
  if (key.asymmetricKeyType !== 'ed25519') return bad('disk-error', `${path} holds no Ed25519 key`)
  const der = createPublicKey(key).export({ format: 'der', type: 'spki' })
  return good({ publicKey: der.subarray(-32).toString('hex'), sign: (bytes) => sign(null, bytes, key) })
}

/** Temporary file, sync, rename, folder sync: a power cut leaves the whole key or none. */
async function makeKey(path: string): Promise<Outcome<SigningKey>> {
  const text = generateKeyPairSync('ed25519').privateKey.export({ format: 'pem', type: 'pkcs8' }).toString()
  const folder = new FolderDisk(dirname(path))
  const temporary = `${keyName}.tmp`
  const removed = await folder.remove(temporary)
  if (!removed.ok && removed.fault.code !== 'disk-missing') return removed
  try {
    const handle = await open(join(folder.name, temporary), 'wx', 0o600)
    try {
      await handle.writeFile(text)
      await handle.sync()
    } finally {
      await handle.close()
    }
    await rename(join(folder.name, temporary), path)
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    return bad(code === 'ENOSPC' ? 'disk-full' : 'disk-error', `${path} (${code})`)
  }
  const synced = await folder.syncFolder('')
  return synced.ok ? keyIn(text, path) : synced
}
