/** Passwords of the broker's users, and the file in which mosquitto looks them up. */
import { pbkdf2Sync, randomBytes } from 'node:crypto'

/** Of mosquitto_passwd. A secret of 192 random bits needs no slower hash, and a flood of logins costs the broker little. */
const iterations = 101
const saltBytes = 12
const hashBytes = 64

/** 192 random bits, as letters, digits, - and _. */
export const newPassword = (): string => randomBytes(24).toString('base64url')

/** A line of a password file as mosquitto 1.6 and later read it: `$7$` is PBKDF2 (RFC 8018) over HMAC-SHA-512. */
export function passwordLine(user: string, password: string, salt = randomBytes(saltBytes)): string {
  const hash = pbkdf2Sync(password, salt, iterations, hashBytes, 'sha512')
  return `${user}:$7$${iterations}$${salt.toString('base64')}$${hash.toString('base64')}`
}

/** Lines by user, in the order of the file. */
export function usersIn(passwordFile: string): Map<string, string> {
  const lines = passwordFile.split('\n').filter((line) => line.includes(':'))
  return new Map(lines.map((line) => [line.slice(0, line.indexOf(':')), line]))
}
