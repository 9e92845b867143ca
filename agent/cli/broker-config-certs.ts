/** A private CA and the broker's certificate, made by the openssl program: node has nothing that writes certificates. */
import { spawnSync } from 'node:child_process'
import { createPrivateKey, X509Certificate } from 'node:crypto'
import { chmodSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { isIP } from 'node:net'
import { join } from 'node:path'

/** Time of X.509 as openssl takes it. A board that does not know the time lives in 1970 and must get in all the same. */
const begins = '19700101000000Z'
const caYears = 30
const serverYears = 10
const renewDays = 365
const dayMillis = 86_400_000

export interface Authority {
  readonly certFile: string
  readonly keyFile: string
}

export interface CertificateFiles extends Authority {
  readonly hosts: readonly string[]
}

type Made = { readonly ok: true } | { readonly ok: false; readonly words: string }

/** Ends ten or thirty years after `now`; `now` is given so that a test can make one that is over. */
export const yearsAfter = (now: Date, years: number): string => `${now.getUTCFullYear() + years}0101000000Z`

/** A CA that vouches for brokers only, and for nothing below them. */
export const makeAuthority = (folder: string, files: Authority, name: string, now: Date): Made =>
  signed(folder, files, name, {
    until: yearsAfter(now, caYears),
    extensions: 'basicConstraints=critical,CA:TRUE,pathlen:0\nkeyUsage=critical,keyCertSign,cRLSign\n',
  })

export const makeServerCertificate = (
  folder: string,
  { hosts, ...files }: CertificateFiles,
  authority: Authority,
  until: string,
): Made =>
  signed(folder, files, 'broker', {
    until,
    authority,
    extensions:
      'basicConstraints=critical,CA:FALSE\nkeyUsage=critical,digitalSignature\nextendedKeyUsage=serverAuth\n' +
      `subjectAltName=${hosts.map((host) => `${isIP(host) ? 'IP' : 'DNS'}:${host}`).join(',')}\n`,
  })

export const serverCertificateEnds = (now: Date): string => yearsAfter(now, serverYears)

/** True where the certificate is that of the key, names exactly these hosts and lasts a year more. */
export function isStillGood(certificate: string, key: string, hosts: readonly string[], now: Date): boolean {
  const read = new X509Certificate(certificate)
  if (!read.checkPrivateKey(createPrivateKey(key))) return false
  const named = hosts.every((host) => (isIP(host) ? read.checkIP(host) : read.checkHost(host)) !== undefined)
  const count = (read.subjectAltName ?? '').split(',').length
  return (
    named && count === hosts.length && lastDay(certificate).getTime() - now.getTime() > renewDays * dayMillis
  )
}

export const lastDay = (certificate: string): Date => new Date(new X509Certificate(certificate).validTo)

interface Wish {
  readonly until: string
  readonly extensions: string
  /** Absent: it signs itself. */
  readonly authority?: Authority
}

function signed(folder: string, files: Authority, name: string, wish: Wish): Made {
  const work = mkdtempSync(join(folder, '.making-'))
  try {
    const at = (file: string): string => join(work, file)
    writeFileSync(at('index'), '')
    writeFileSync(at('extensions'), wish.extensions)
    writeFileSync(
      at('config'),
      `[ca]\ndefault_ca=d\n[d]\ndatabase=${at('index')}\nrand_serial=yes\nnew_certs_dir=${work}\n` +
        'default_md=sha256\npolicy=p\nunique_subject=no\n[p]\ncommonName=supplied\n[req]\ndistinguished_name=n\n[n]\n',
    )
    const request = openssl(
      ...['req', '-new', '-newkey', 'ec', '-pkeyopt', 'ec_paramgen_curve:prime256v1', '-nodes'],
      ...['-config', at('config'), '-subj', `/CN=${name}`, '-keyout', files.keyFile, '-out', at('request')],
    )
    if (!request.ok) return request
    const by = wish.authority
    const made = openssl(
      ...['ca', '-batch', '-notext', '-config', at('config'), '-extfile', at('extensions')],
      ...(by ? ['-cert', by.certFile, '-keyfile', by.keyFile] : ['-selfsign', '-keyfile', files.keyFile]),
      ...['-in', at('request'), '-out', files.certFile, '-startdate', begins, '-enddate', wish.until],
    )
    if (made.ok) for (const file of [files.certFile, files.keyFile]) chmodSync(file, 0o600)
    return made
  } finally {
    rmSync(work, { recursive: true, force: true })
  }
}

function openssl(...args: string[]): Made {
  const { status, stderr, error } = spawnSync('openssl', args, { encoding: 'utf8' })
  if (error)
    return {
      ok: false,
      words: `the program openssl makes the certificates and cannot be started here (${error.message}); on Debian: apt-get install openssl`,
    }
  return status === 0 ? { ok: true } : { ok: false, words: `openssl ${args[0]}: ${stderr.trim()}` }
}
