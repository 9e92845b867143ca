import { createPrivateKey, createPublicKey, generateKeyPairSync, sign, type KeyObject } from 'node:crypto'
import { existsSync } from 'node:fs'
import { chmod, open, readFile, stat } from 'node:fs/promises'
import { join } from 'node:path'
import { bad, done, good, type Disk, type NextKey, type Outcome, type SigningKey } from '../terms/terms.js'
import { FolderDisk } from './disk.js'

/** Name of the key in a data folder. It begins with a dot: no part of the store, and nobody copies it along. */
export const keyName = '.station-key'
/** The key that comes after it, until a line of the store names it. */
export const nextKeyName = '.station-key.next'
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
 * where there is none: PKCS #8 in PEM, readable by its owner only, as openssl reads it. To be asked for after the store of the
 * folder was opened. Faults: disk-*; disk-error also where the file holds no such key (it is left as it is).
 */
export async function stationKey(folder: string): Promise<Outcome<SigningKey>> {
  const given = credentialFile(keyCredential)
  return given === undefined ? keyFolder(folder).current() : givenKey(given)
}

/** Where the next key of a folder waits. Fault: key-given, where the service manager hands the key over. */
export function nextKeyOf(folder: string): Outcome<NextKey> {
  const given = credentialFile(keyCredential)
  return given === undefined ? good(keyFolder(folder)) : bad('key-given', given)
}

async function givenKey(path: string): Promise<Outcome<SigningKey>> {
  try {
    return keyIn(await readFile(path, 'utf8'), path)
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    return bad(code === 'EACCES' ? 'disk-denied' : 'disk-error', `${path} (${code ?? String(error)})`)
  }
}

/** What a disk as such knows nothing of: who may read a file. */
interface Rights {
  /** Makes an empty file that is its owner's only. */
  reserve(name: string): Promise<Outcome<void>>
  /** Closes a file again that others could read. */
  close(name: string): Promise<void>
}

const noRights: Rights = { reserve: () => Promise.resolve(done), close: () => Promise.resolve() }

const keyFolder = (folder: string): KeyFolder => new KeyFolder(new FolderDisk(folder), rightsIn(folder))

function rightsIn(folder: string): Rights {
  return {
    reserve: async (name) => {
      try {
        await (await open(join(folder, name), 'wx', 0o600)).close()
        return done
      } catch (error) {
        const { code } = error as NodeJS.ErrnoException
        const fault = code === 'ENOSPC' ? 'disk-full' : code === 'EROFS' ? 'disk-read-only' : 'disk-error'
        return bad(fault, `${join(folder, name)} (${code})`)
      }
    },
    close: async (name) => {
      const path = join(folder, name)
      // A copy or a restored backup may have opened it to others.
      if (((await stat(path)).mode & 0o077) !== 0) await chmod(path, 0o600)
    },
  }
}

/** More is no key. */
const longestKey = 4096

/** The keys of a data folder: the one in force, and the one that waits to come after it. */
export class KeyFolder implements NextKey {
  constructor(
    private readonly disk: Disk,
    private readonly rights = noRights,
  ) {}

  /** The key in force, made where there is none. */
  async current(): Promise<Outcome<SigningKey>> {
    const read = await this.read(keyName)
    return read.ok || read.fault.code !== 'disk-missing' ? read : this.make(keyName)
  }

  async waiting(): Promise<Outcome<SigningKey | undefined>> {
    const read = await this.read(nextKeyName)
    return read.ok || read.fault.code !== 'disk-missing' ? read : good(undefined)
  }

  async prepare(): Promise<Outcome<SigningKey>> {
    const waiting = await this.waiting()
    // What a card spoiled is no key, and was never in force.
    return waiting.ok && waiting.value ? good(waiting.value) : this.make(nextKeyName)
  }

  async adopt(): Promise<Outcome<void>> {
    const renamed = await this.disk.rename(nextKeyName, keyName)
    return renamed.ok ? this.disk.syncFolder('') : renamed
  }

  async drop(): Promise<Outcome<void>> {
    const removed = await this.disk.remove(nextKeyName)
    return removed.ok ? this.disk.syncFolder('') : removed
  }

  private async read(name: string): Promise<Outcome<SigningKey>> {
    const read = await this.disk.read(name, 0, longestKey)
    if (!read.ok) return read
    await this.rights.close(name).catch(() => undefined)
    return keyIn(Buffer.from(read.value).toString(), `${this.disk.name}/${name}`)
  }

  /** Temporary file, sync, rename, folder sync: a power cut leaves the whole key or none. */
  private async make(name: string): Promise<Outcome<SigningKey>> {
    const text = generateKeyPairSync('ed25519').privateKey.export({ format: 'pem', type: 'pkcs8' }).toString()
    const temporary = `${name}.tmp`
    const written = await this.write(temporary, Buffer.from(text))
    if (!written.ok) return written
    const renamed = await this.disk.rename(temporary, name)
    const synced = renamed.ok ? await this.disk.syncFolder('') : renamed
    return synced.ok ? keyIn(text, `${this.disk.name}/${name}`) : synced
  }

  private async write(name: string, bytes: Uint8Array): Promise<Outcome<void>> {
    const removed = await this.disk.remove(name)
    if (!removed.ok && removed.fault.code !== 'disk-missing') return removed
    const reserved = await this.rights.reserve(name)
    if (!reserved.ok) return reserved
    const written = await this.disk.append(name, bytes)
    if (!written.ok) return written
    return written.value < bytes.length
      ? bad('disk-full', `${this.disk.name}/${name}`)
      : this.disk.datasync(name)
  }
}

function keyIn(text: string, path: string): Outcome<SigningKey> {
  let key: KeyObject
  try {
    key = createPrivateKey(text)
  } catch {
    return bad('disk-error', `${path} holds no key`)
  }
  if (key.asymmetricKeyType !== 'ed25519') return bad('disk-error', `${path} holds no Ed25519 key`)
  return good({ publicKey: publicHalf(key), sign: (bytes) => sign(null, bytes, key) })
}

/** @param key an Ed25519 key, or its public half @returns 64 hex digits: DER ends with the 32 bytes (RFC 8410, 4) */
export const publicHalf = (key: KeyObject): string =>
  (key.type === 'private' ? createPublicKey(key) : key)
    .export({ format: 'der', type: 'spki' })
    .subarray(-32)
    .toString('hex')
