/** What a mail server or a webhook answers, made fit for lines and logs: short, and without whom it was for. */

const longestWords = 160

/** Anything in a foreign answer that looks like a mail address, a URL or a telephone number. */
const personal = /[a-z][a-z0-9+.-]*:\/\/\S+|[^\s<>"'()]+@[^\s<>"'()]+|\+?\d(?:[ ()/.-]?\d){6,}/gi

/**
 * @param text from the far side: of any length, with any characters
 * @param secrets what must not be seen in it, in whatever case
 */
export function fitWords(text: string, secrets: readonly (string | undefined)[]): string {
  let fit = text.slice(0, 2000)
  for (const secret of secrets)
    if (secret !== undefined && secret.length > 2) fit = fit.replace(new RegExp(literally(secret), 'gi'), '…')
  return fit
    .replace(personal, '…')
    .replace(/[^\x20-\x7e…]+/g, ' ')
    .trim()
    .slice(0, longestWords)
}

const literally = (text: string): string => text.replace(/[.*+?^${}()|[\]\\]/g, '\\$&')

export interface SocketError {
  readonly code?: string
  readonly message?: string
}

const tlsCauses: readonly [RegExp, string][] = [
  [
    /expired|not yet valid|NOT_YET_VALID/i,
    'its certificate is not valid at this time; is the clock of this station right?',
  ],
  [/self.?signed/i, 'its certificate is self-signed'],
  [/altname|does not match|HOSTNAME_MISMATCH/i, 'its certificate is of another name'],
  [
    /issuer|unable to verify|LEAF_SIGNATURE|unable to get|INVALID_CA|UNKNOWN_CA/i,
    'nobody known vouches for its certificate',
  ],
  [/wrong.version.number|packet length too long/i, 'what answers there does not speak TLS'],
]

/** Why encryption did not come about, in words of ours: those of the library name the host. Undefined: it was not that. */
export function tlsWords({ code = '', message = '' }: SocketError): string | undefined {
  const known = tlsCauses.find(([shape]) => shape.test(code) || shape.test(message))
  if (known) return known[1]
  return /CERT|SSL|TLS/.test(code) ? 'encryption did not come about' : undefined
}
