import type { Fault } from '../terms/terms.js'
import { isLoginReason, reasonWords } from './mqtt-reasons.js'

interface Failure {
  readonly message?: string
  /** A node error name, or the reason code of a CONNACK. */
  readonly code?: string | number
}

/** What OpenSSL and node answer when a certificate is not accepted, and what the other side says of ours. */
const certificateCodes =
  /CERT|ISSUER|SELF_SIGNED|LEAF_SIGNATURE|ALTNAME|HOSTNAME_MISMATCH|INVALID_CA|INVALID_PURPOSE|UNKNOWN_CA|OSSL_PEM|NO_START_LINE|KEY_VALUES_MISMATCH/

/** Their validity is a matter of time, and so the station's clock may be what is wrong. */
const timeCodes = new Set(['CERT_HAS_EXPIRED', 'CERT_NOT_YET_VALID'])

/** Why a connection did not come about, as a fault. `where` is host:port; no secret is ever in the text. */
export function connectFault(where: string, failure: Failure): Fault {
  if (typeof failure.code === 'number') return refusal(where, failure.code)
  const words = failure.message || String(failure.code ?? 'no reason given')
  const code = failure.code ?? ''
  if (code === 'ECONNREFUSED') return { code: 'broker-down', detail: `${where}: ${words || code}` }
  if (timeCodes.has(code))
    return {
      code: 'broker-certificate',
      detail: `${where}: ${words} by the clock of this station; is the clock right?`,
    }
  if (certificateCodes.test(code)) return { code: 'broker-certificate', detail: `${where}: ${words}` }
  if (/wrong.version.number/i.test(words + code))
    return { code: 'broker-unreachable', detail: `${where}: what answers there does not speak TLS` }
  return {
    code: 'broker-unreachable',
    detail: `${where}: ${code && !words.includes(code) ? `${code}, ` : ''}${words}`,
  }
}

/** What a CONNACK says. */
const refusal = (where: string, reason: number): Fault => ({
  code: isLoginReason(reason) ? 'broker-refused-login' : 'broker-refused',
  detail: `${where}: ${reasonWords(reason)} (${reason})`,
})
