import { createPrivateKey, createPublicKey, sign } from 'node:crypto'
import type { SigningKey } from '../../agent/terms/terms.js'

/** A key made of one byte repeated, so that what it signs is the same in every run (RFC 8032: no randomness in a signature). */
export function testKey(byte = 7): SigningKey {
  // RFC 8410, 7: a private key of 32 bytes in DER.
  const der = Buffer.concat([Buffer.from('302e020100300506032b657004220420', 'hex'), Buffer.alloc(32, byte)])
  const key = createPrivateKey({ key: der, format: 'der', type: 'pkcs8' })
  const publicKey = createPublicKey(key).export({ format: 'der', type: 'spki' }).subarray(-32).toString('hex')
  return { publicKey, sign: (bytes) => sign(null, bytes, key) }
}
