import { generateKeyPairSync, sign } from 'node:crypto'
import type { SigningKey } from '../../agent/terms/terms.js'

/** A new Ed25519 key (RFC 8032), also as the texts in which people hand its halves over. */
export interface NewKey extends SigningKey {
  readonly publicPem: string
  readonly privatePem: string
}

export function newKey(): NewKey {
  const { publicKey, privateKey } = generateKeyPairSync('ed25519')
  return {
    publicKey: publicKey.export({ format: 'der', type: 'spki' }).subarray(-32).toString('hex'),
    sign: (bytes) => sign(null, bytes, privateKey),
    publicPem: publicKey.export({ format: 'pem', type: 'spki' }).toString(),
    privatePem: privateKey.export({ format: 'pem', type: 'pkcs8' }).toString(),
  }
}
