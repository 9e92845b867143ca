/**
 * Signed commands: what an operator asks of one station. WIRE.md describes the bytes.
 *
 * In: the payload of a message on the topic `command`, and whose signature counts. Out: the command and who signed it, or one
 * reason word. Pure: whether a number was there before, which boot this is and what time, is told to `judgeCommand`.
 * Refused: everything that is not, byte for byte, what `commandText` writes.
 */
import { createPublicKey, verify } from 'node:crypto'
import { parseUtc, utcText, type UtcMillis } from '../terms/terms.js'

export const commandFormat = 1
export const longestCommandBytes = 16_384
/** Between the first and the last moment at which a command may be taken. */
export const longestWindowSeconds = 7 * 86_400
/** Clocks of two machines differ; a window is taken to be this much longer on both sides. */
const clockGraceSeconds = 120

/** A reader may ask; an operator may also have something done. */
export type CommandRole = 'reader' | 'operator'

/** Whose signature counts, as `motepost keys` keeps it. */
export interface Signer {
  readonly role: CommandRole
  /** Ed25519 (RFC 8032), 64 lower-case hex digits. */
  readonly publicKey: string
  readonly name: string
}

export interface Command {
  readonly group: string
  readonly station: string
  /** First eight hex digits of the boot id that the station has now. */
  readonly boot: string
  /** Public key of whoever signs. */
  readonly key: string
  /** Above every number that the station took from this key. */
  readonly number: number
  /** Taken only within; looked at where the station's clock is trusted. */
  readonly from: UtcMillis
  readonly until: UtcMillis
  readonly do: string
  readonly with: Readonly<Record<string, unknown>>
}

export type CommandRefusal =
  | 'too-large'
  | 'not-understood'
  | 'other-station'
  | 'foreign-key'
  | 'wrong-signature'
  | 'other-boot'
  | 'too-early'
  | 'too-late'
  | 'replayed'
  | 'not-allowed'

/** The one text of a command; what is signed stands before it, so that no other signature of the key fits. */
export const commandText = (command: Command): string =>
  JSON.stringify({
    v: commandFormat,
    group: command.group,
    station: command.station,
    boot: command.boot,
    key: command.key,
    number: command.number,
    from: utcText(command.from),
    until: utcText(command.until),
    do: command.do,
    with: command.with,
  })

const signedBytes = (text: string): Uint8Array => new TextEncoder().encode(`motepost command\n${text}`)

/** @param sign Ed25519 with the key that the command names */
export function signedCommand(command: Command, sign: (bytes: Uint8Array) => Uint8Array): Uint8Array {
  const text = commandText(command)
  return new TextEncoder().encode(`${text}\n${Buffer.from(sign(signedBytes(text))).toString('hex')}`)
}

export type ReadCommand =
  | { readonly ok: true; readonly command: Command; readonly signer: Signer }
  | { readonly ok: false; readonly reason: CommandRefusal }

const refused = (reason: CommandRefusal): ReadCommand => ({ ok: false, reason })

/** Reads and verifies. Cheap refusals come first; a signature is worked out only for a key that is known here. */
export function readCommand(
  payload: Uint8Array,
  here: { readonly group: string; readonly station: string },
  signers: readonly Signer[],
): ReadCommand {
  if (payload.length > longestCommandBytes) return refused('too-large')
  const parts = textOf(payload)?.split('\n')
  if (parts?.length !== 2 || !/^[0-9a-f]{128}$/.test(parts[1])) return refused('not-understood')
  const [text, signature] = parts
  const command = commandIn(text)
  if (!command) return refused('not-understood')
  if (command.group !== here.group || command.station !== here.station) return refused('other-station')
  const signer = signers.find(({ publicKey }) => publicKey === command.key)
  if (!signer) return refused('foreign-key')
  const holds = isSigned(text, signature, signer.publicKey)
  return holds ? { ok: true, command, signer } : refused('wrong-signature')
}

function textOf(payload: Uint8Array): string | undefined {
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(payload)
  } catch {
    return undefined
  }
}

function isSigned(text: string, signature: string, publicKey: string): boolean {
  try {
    const x = Buffer.from(publicKey, 'hex').toString('base64url')
    const key = createPublicKey({ key: { kty: 'OKP', crv: 'Ed25519', x }, format: 'jwk' })
    return verify(null, signedBytes(text), key, Buffer.from(signature, 'hex'))
  } catch {
    // 32 bytes that are no point of the curve.
    return false
  }
}

const name = /^[a-z0-9-]{1,64}$/
const isMap = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

function commandIn(text: string): Command | undefined {
  try {
    const command = commandOf(JSON.parse(text))
    return command && commandText(command) === text ? command : undefined
  } catch {
    return undefined
  }
}

function commandOf(value: unknown): Command | undefined {
  if (!isMap(value) || value.v !== commandFormat || !isMap(value.with)) return undefined
  const { group, station, boot, key, number } = value
  const words = [group, station, value.do].every((word) => typeof word === 'string' && name.test(word))
  const from = typeof value.from === 'string' ? parseUtc(value.from) : undefined
  const until = typeof value.until === 'string' ? parseUtc(value.until) : undefined
  if (!words || from === undefined || until === undefined) return undefined
  if (!/^[0-9a-f]{8}$/.test(String(boot)) || !/^[0-9a-f]{64}$/.test(String(key))) return undefined
  if (!Number.isSafeInteger(number) || (number as number) < 1) return undefined
  const windowMillis = until - from
  if (windowMillis < 0 || windowMillis > longestWindowSeconds * 1000) return undefined
  return { ...(value as unknown as Command), from, until }
}

/** What the station knows when a command comes. */
export interface CommandPlace {
  readonly boot: string
  /** Absent while the clock is not trusted. */
  readonly utc?: UtcMillis
  /** The highest number taken from this key; 0 for none. */
  readonly lastNumber: number
  readonly mayRead: (what: string) => boolean
}

/** Why a command with a right signature is not taken all the same; undefined: it is. */
export function judgeCommand(
  { command, signer }: { readonly command: Command; readonly signer: Signer },
  { boot, utc, lastNumber, mayRead }: CommandPlace,
): CommandRefusal | undefined {
  if (command.boot !== boot) return 'other-boot'
  if (utc !== undefined && utc < command.from - clockGraceSeconds * 1000) return 'too-early'
  if (utc !== undefined && utc > command.until + clockGraceSeconds * 1000) return 'too-late'
  if (command.number <= lastNumber) return 'replayed'
  return signer.role === 'operator' || mayRead(command.do) ? undefined : 'not-allowed'
}
