import { lookup, type LookupAddress } from 'node:dns'
import type { LookupFunction } from 'node:net'
import { withLimit } from './limit.js'

/** All addresses of a name. */
export type Resolve = (host: string) => Promise<readonly LookupAddress[]>

const askSystem: Resolve = (host) =>
  new Promise((resolve, reject) =>
    lookup(host, { all: true, order: 'verbatim' }, (error, found) =>
      error ? reject(error) : resolve(found),
    ),
  )

/** A name service that takes longer is gone on without. */
const usualLimitSeconds = 10

/**
 * Looks names up for one destination: one look-up at a time (a dead name service holds a thread of the pool until it gives
 * up), and where none is answered the addresses of the last one. A wrong old address costs an attempt and no trust: the
 * certificate is checked against the name all the same.
 */
export function rememberingLookup(
  resolve: Resolve = askSystem,
  limitSeconds = usualLimitSeconds,
): LookupFunction {
  let pending: Promise<readonly LookupAddress[] | Error> | undefined
  let last: readonly LookupAddress[] = []

  const ask = (host: string): Promise<readonly LookupAddress[] | Error> => {
    pending ??= resolve(host)
      .then(
        (found) => (last = found.length > 0 ? found : last),
        (error: Error) => error,
      )
      .finally(() => (pending = undefined))
    return pending
  }

  return (host, options, answer) => {
    void withLimit(ask(host), limitSeconds).then((found) => {
      const error = found === 'late' ? noAnswer(host) : found instanceof Error ? found : undefined
      if (error && last.length === 0) answer(error, '', 0)
      else if (options.all) answer(null, [...last])
      else answer(null, last[0].address, last[0].family)
    })
  }
}

const noAnswer = (host: string): NodeJS.ErrnoException =>
  Object.assign(new Error(`no answer from the name service about ${host}`), { code: 'EAI_AGAIN' })
