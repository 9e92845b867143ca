import type { Fault } from '../terms/terms.js'

interface Failure {
  readonly message?: string
  /** A node error name, or the reason code of a CONNACK. */
  readonly code?: string | number
}

/** CONNACK return codes of MQTT 3.1.1 (4, 5) and reason codes of MQTT 5 (134, 135) that are about who we are. */
const loginCodes = new Set([4, 5, 134, 135])

/** What OpenSSL and node answer when a certificate is not accepted, and what the other side says of ours. */
const certificateCodes =
  /CERT|ISSUER|SELF_SIGNED|LEAF_SIGNATURE|ALTNAME|HOSTNAME_MISMATCH|INVALID_CA|INVALID_PURPOSE|UNKNOWN_CA|OSSL_PEM|NO_START_LINE|KEY_VALUES_MISMATCH/

/** Their validity is a matter of time, and so the station's clock may be what is wrong. */
const timeCodes = new Set(['CERT_HAS_EXPIRED', 'CERT_NOT_YET_VALID'])

/** Why a connection did not come about, as a fault. `where` is host:port; no secret is ever in the text. */
export function connectFault(where: string, failure: Failure): Fault {
  const words = failure.message || String(failure.code ?? 'no reason given')
  if (typeof failure.code === 'number')
    return {
      code: loginCodes.has(failure.code) ? 'broker-refused-login' : 'broker-refused',
      detail: `${where}: ${words} (${failure.code})`,
    }
  const code = failure.code ?? ''
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
