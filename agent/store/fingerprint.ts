/** How people write a station's public key down, and whether what they wrote is it. */
import { createHash } from 'node:crypto'

const groupDigits = 4
/** Fewer digits of a fingerprint are not believed: another key could be found that begins with them. */
export const leastFingerprintDigits = 16

/** SHA-256 over the 32 bytes of a public key (given as 64 hex digits), in groups of four hex digits. */
export function keyFingerprint(publicKey: string): string {
  const hex = createHash('sha256').update(Buffer.from(publicKey, 'hex')).digest('hex')
  return hex.match(new RegExp(`.{${groupDigits}}`, 'g'))!.join(' ')
}

/** Hex digits as somebody wrote them, without spaces, colons and hyphens; undefined where they are no 16 to 64. */
export function readFingerprint(text: string): string | undefined {
  const digits = text.replace(/[\s:-]/g, '').toLowerCase()
  return /^[0-9a-f]{16,64}$/.test(digits) ? digits : undefined
}

/** @param expected the key itself, its fingerprint, or at least the first 16 digits of that */
export const isKeyMeant = (publicKey: string, expected: string): boolean =>
  publicKey === expected || keyFingerprint(publicKey).replaceAll(' ', '').startsWith(expected)
