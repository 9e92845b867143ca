/** Keys of the database that a collector fills beside its archive. */
import type { z } from 'zod'
import { group, onOff, text, whole } from './leaves.js'
import { anyWords, pathShape, pathWords, plainText, secretPathShape } from './patterns.js'

const hostShape = /^(\/[^\u0000-\u001f\u007f]+|\[?[0-9a-fA-F:.]+\]?|[A-Za-z0-9._-]+)$/

export const postgresGroup = group('A PostgreSQL database that gets every line of the archive as well.', {
  host: text(
    'Name or address, or the folder of its socket.',
    hostShape,
    'a name, an address or a path',
  ).default('/run/postgresql'),
  port: whole('Its port.', { least: 1, most: 65_535 }).default(5432),
  database: text('Name of the database.', plainText, anyWords).default('motepost'),
  user: text('Who the collector is there.', plainText, anyWords).default('motepost'),
  password_file: text(
    'File that holds the password and nothing else.',
    secretPathShape,
    'the path of a file that holds the password, such as /etc/motepost/postgres-password',
    { veiled: true },
  ).optional(),
  tls: onOff('Encrypted, with a certificate that is checked; not needed within this machine.').optional(),
  ca_file: text('File with the certificate that vouches for the database.', pathShape, pathWords).optional(),
})

export interface PostgresSettings {
  readonly host: string
  readonly port: number
  readonly database: string
  readonly user: string
  readonly passwordFile?: string
  readonly tls: boolean
  readonly caFile?: string
}

/** What stays within this machine needs no TLS unless it is asked for. */
const isHere = (host: string): boolean => /^(\/|localhost$|127\.|\[?::1\]?$)/.test(host)

export const postgresOf = (block: z.infer<typeof postgresGroup>): PostgresSettings => ({
  ...{
    host: block.host.replace(/^\[|\]$/g, ''),
    port: block.port,
    database: block.database,
    user: block.user,
  },
  ...(block.password_file === undefined ? {} : { passwordFile: block.password_file }),
  tls: block.tls ?? !isHere(block.host),
  ...(block.ca_file === undefined ? {} : { caFile: block.ca_file }),
})
