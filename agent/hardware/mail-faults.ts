import type { Fault } from '../terms/terms.js'
import { fitWords, tlsWords } from './way-words.js'

/** What the library tells of a failure; all of it may be absent. */
interface MailError extends Error {
  readonly code?: string
  readonly originalCode?: string
  readonly command?: string
  readonly response?: string
  readonly responseCode?: number
}

/**
 * Why a mail did not go, as a fault. RFC 5321 section 4.2.1: a reply of 500 and more is final, one of 400 and more is not;
 * 503 speaks of the session and not of the message.
 * @param secrets what must not be seen in the words of the server
 */
export function mailFault(error: MailError, secrets: readonly (string | undefined)[]): Fault {
  const { code = '', originalCode, response = '', responseCode } = error
  if (code === 'ETLS') {
    const words = tlsWords(error) ?? 'the server offers no encryption on this port, or it did not come about'
    return { code: 'mail-certificate', detail: words }
  }
  if (responseCode !== undefined) {
    const detail = fitWords(response, secrets)
    const isFinal = responseCode >= 500 && responseCode !== 503
    if (!isFinal) return { code: 'mail-deferred', detail }
    return { code: code === 'EAUTH' ? 'mail-login' : 'mail-refused', detail }
  }
  if (code === 'EAUTH' || code === 'ENOAUTH')
    return { code: 'mail-login', detail: 'it offers no way to log in that is known here' }
  if (code === 'EENVELOPE')
    return { code: 'mail-refused', detail: 'an address cannot be sent as it is written' }
  if (code === 'ETIMEDOUT' && originalCode === undefined)
    return { code: 'mail-silent', detail: 'nothing came within the limit' }
  const words = tlsWords({ code: originalCode ?? code, message: error.message })
  if (words !== undefined) return { code: 'mail-certificate', detail: words }
  return { code: 'mail-unreachable', detail: originalCode ?? (code || 'closed without a reason') }
}
